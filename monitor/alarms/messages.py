"""What messages say, each in the language of its reader: callouts, all-clears, letters, tests. Nothing is sent here."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Final, Literal

from monitor.alarms.book import Alarm, Change
from monitor.alarms.inventory import INVENTORY
from monitor.facts import resources
from monitor.facts.words import ENGLISH, Moment, Said, Tongue, listed, say
from monitor.plan.parts import Callout, Plan

Kind = Literal["callout", "reminder", "all clear", "letter", "test", "review"]


@dataclass(frozen=True, slots=True)
class Message:
    """One message for one person. It may leave at ``not_before_s``; what clears before then is withdrawn."""

    person: str
    to: str
    kind: Kind
    resource: str
    type: str
    subject: str
    body: str
    happened_s: float
    not_before_s: float
    attachment: str = ""
    """Path of a file that goes with it, where the way carries files."""


NO_OTHERS: Final[Mapping[str, Tongue]] = {}
Linking = Callable[[str, Alarm], str]
"""(person, alarm) → the address by which they say that they take care of that very alarm; empty where there is none."""


def no_link(person: str, alarm: Alarm) -> str:
    """There is no address."""
    return ""


DRILL = "drill"
"""The alarm type of a drill: each message says that it is one."""


def local_time(at_s: float, zone: tzinfo) -> str:
    """A time as people at the site read it, with its offset from UTC."""
    return str(Moment(datetime.fromtimestamp(at_s, zone)))


@dataclass(frozen=True, slots=True)
class Reader:
    """For whom sentences are made: who, where, by which clock, in which language."""

    person: Callout
    plan: Plan
    zone: tzinfo
    tongue: Tongue
    link: Linking = no_link

    def __call__(self, pattern: str, /, **values: object) -> str:
        """A sentence in his language."""
        return self.tongue.say(say(pattern, **values))

    def moment(self, at_s: float) -> Moment:
        """A time by the site's clock."""
        return Moment(datetime.fromtimestamp(at_s, self.zone))

    def message(
        self, kind: Kind, about: tuple[str, str], said: tuple[str, str], times_s: tuple[float, float]
    ) -> Message:
        """A message about a resource and alarm type, of subject and body; when it happened, when it may leave."""
        return Message(self.person.name, self.person.to, kind, *about, *said, *times_s)


def reader_of(
    person: Callout, plan: Plan, zone: tzinfo, tongues: Mapping[str, Tongue] = NO_OTHERS, link: Linking = no_link
) -> Reader:
    """A person as reader of messages: in their language, else the site's, else English."""
    return Reader(person, plan, zone, tongues.get(person.language or plan.site.language, ENGLISH), link)


def about_alarm(kind: Kind, change: Change, reader: Reader, not_before_s: float) -> Message:
    """A callout, a reminder or an all-clear."""
    key = change.alarm.key
    what = {"site": reader.plan.site.name, "resource": key.resource, "alarm": title(key.type)}
    body = _all_clear(change, reader) if kind == "all clear" else _callout(change.alarm, reader)
    said = (reader(_SUBJECTS[kind].pattern, **what), body)
    return reader.message(kind, (key.resource, key.type), said, (change.at_s, not_before_s))


_SUBJECTS: Final = {
    "callout": say("{site}: {resource} {alarm}"),
    "reminder": say("{site}: {resource} {alarm} – still"),
    "all clear": say("{site}: {resource} {alarm} – all clear"),
}


def title(alarm_type: str) -> Said:
    """An alarm type as few words."""
    if alarm_type == DRILL:
        return say("drill, nothing is wrong")
    return say(alarm_type.removeprefix("pole-").removeprefix("head-end-").replace("-", " "))


def _all_clear(change: Change, said: Reader) -> str:
    alarm = change.alarm
    lasted = span(change.at_s - alarm.raised_s)
    at = said.moment(change.at_s)
    lines = [said("{resource}: cleared at {at}, after {lasted}.", resource=alarm.key.resource, at=at, lasted=lasted)]
    if alarm.key.type == DRILL:
        lines.append(said("It was a drill: nothing was wrong."))
    if alarm.settled:
        lines.append(said("Settled: {settled}.", settled=alarm.settled))
    return "\n".join(lines)


def span(seconds: float) -> Said:
    """How long something lasted, as people say it."""
    if round(seconds / 60) < 1:
        return say("{seconds:.0f} s", seconds=seconds)
    if round(seconds / 60) < 120:
        return say("{minutes:.0f} min", minutes=seconds / 60)
    return say("{hours:.1f} h", hours=seconds / 3600)


def _callout(alarm: Alarm, said: Reader) -> str:
    """What, since when, why, what to check first, what to take, how to get there, cautions: in that order."""
    kind, cause = INVENTORY[alarm.key.type], alarm.cause
    since = {"at": said.moment(alarm.raised_s), "severity": say(alarm.severity.value)}
    lines = [
        said.tongue.say(alarm.text or kind.meaning),
        said("Since {at}. Severity: {severity}.", **since),
    ]
    if cause:
        lines += [
            said("Seen: {evidence}.", evidence=listed(cause.evidence)),
            said("Check first: {look_first}.", look_first=cause.look_first),
            said("Take along: {van_list}.", van_list=listed(cause.van_list, ", ")),
        ]
    else:
        lines.append(said("What to do: {to_do}.", to_do=kind.to_do))
    pole = next((pole for pole in said.plan.poles if pole.name == resources.place_of(alarm.key.resource)), None)
    if pole and pole.place:
        lines.append(said("Place: {place}.", place=pole.place))
    if pole and pole.access:
        lines.append(said("Access: {access}.", access=pole.access))
    if cause:
        lines += [said("Caution: {caution}", caution=line) for line in cause.cautions]
    url = said.link(said.person.name, alarm)
    if url:
        lines.append(said("I take care of it: {url}", url=url))
    return "\n".join(lines)


def letter(changes: Sequence[Change], standing: Sequence[Alarm], said: Reader, now_s: float) -> Message:
    """The morning letter: what stands of this person's severities, and all that came and went since the last one.

    What healed within the hold called nobody out, whatever its severity; here it is told.
    """
    site, tongue = said.plan.site.name, said.tongue
    wanted = [a for a in standing if a.severity.value in said.person.severities and not a.root]
    past = [c for c in changes if c.what == "cleared"]
    lines = [said("{site}, {at}", site=site, at=said.moment(now_s)), ""]
    lines += [said("Standing: {count}", count=len(wanted))]
    lines += [f"  {_named(a, tongue)}: {tongue.say(a.text)}" for a in wanted]
    lines += ["", said("Came and went: {count}", count=len(past))]
    lines += [
        f"  {_named(c.alarm, tongue)} ({tongue.word(c.alarm.severity.value)}): "
        + f"{tongue.say(said.moment(c.alarm.raised_s))}, {tongue.say(span(c.at_s - c.alarm.raised_s))}"
        + (f"; {tongue.say(c.alarm.settled)}" if c.alarm.settled else "")
        for c in past
    ]
    words = "{site}: morning letter, {standing} standing, {past} came and went"
    subject = said(words, site=site, standing=len(wanted), past=len(past))
    return said.message("letter", (site, "letter"), (subject, "\n".join(lines)), (now_s, now_s))


def _named(alarm: Alarm, tongue: Tongue) -> str:
    qualifier = f" ({alarm.key.qualifier})" if alarm.key.qualifier else ""
    return f"{alarm.key.resource} {tongue.say(title(alarm.key.type))}{qualifier}"


def proof(said: Reader, now_s: float) -> Message:
    """Proof that messages reach a person: what he will be told of, and that nothing is wrong now."""
    person, site = said.person, said.plan.site.name
    when = say("at any hour")
    if person.at:
        when = say("by letter at {at}", at=person.at)
    elif person.hours != "any":
        start, end = person.hours.split("-")
        when = say("from {start} to {end}", start=start, end=end)
    severities = listed([say(severity) for severity in person.severities], ", ")
    told = say("You ({person}) are told of: {severities}; {when}", person=person.name, severities=severities, when=when)
    if person.places:
        told = listed([told, say("only of {places}", places=", ".join(person.places))])
    if person.after_minutes:
        told = listed([told, say("when nobody has acknowledged for {minutes:g} min", minutes=person.after_minutes)])
    nothing = said("This is a test: nothing is wrong at {site}, and nothing is to be done.", site=site)
    text = (said("{site}: test message", site=site), f"{nothing}\n{said.tongue.say(told)}.")
    return said.message("test", (site, "test"), text, (now_s, now_s))


_HAPPENED: Final[Mapping[Kind, Said]] = {
    "callout": say("{resource} {alarm}"),
    "reminder": say("{resource} {alarm} – still"),
    "all clear": say("{resource} {alarm} – all clear"),
}


def _happened(message: Message, tongue: Tongue) -> str:
    return tongue.say(say(_HAPPENED[message.kind].pattern, resource=message.resource, alarm=title(message.type)))


def digest(messages: Sequence[Message], site: str, zone: tzinfo, tongue: Tongue) -> tuple[str, str]:
    """Subject and body of one message in the place of many callouts, reminders and all-clears of a site.

    What happened, in order, and the first of it whole.
    """
    first = messages[0]
    began, ended = (Moment(datetime.fromtimestamp(one.happened_s, zone)) for one in (first, messages[-1]))
    head = say("{count} messages from {began} to {ended}, as one:", count=len(messages), began=began, ended=ended)
    lines = [tongue.say(head), *(f"- {_happened(one, tongue)}" for one in messages)]
    subject = say("{site}: {count} messages at once", site=site, count=len(messages))
    rest = ["", tongue.say(say("The first of them:")), first.body]
    return tongue.say(subject), "\n".join([*lines, *rest])


def late(message: Message, now_s: float, zone: tzinfo, tongue: Tongue) -> str:
    """What stands above a message that could not leave in time."""
    happened, left = (Moment(datetime.fromtimestamp(at_s, zone)) for at_s in (message.happened_s, now_s))
    words = "Happened {happened}; this message could not leave until {left}."
    return tongue.say(say(words, happened=happened, left=left))
