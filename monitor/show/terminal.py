"""The picture, alarms and causes as plain text for a terminal. Text from devices is already harmless."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, tzinfo
from typing import Any

from monitor.facts.resources import place_of
from monitor.show.views import AlarmView, MarginView, Picture, PlaceView


def when(at_s: float, zone: tzinfo) -> str:
    """A time as people at the site read it."""
    return datetime.fromtimestamp(at_s, zone).strftime("%d %b %H:%M:%S")


def table(rows: Sequence[Sequence[str]], indent: str = "  ") -> list[str]:
    """Rows as columns of equal width."""
    if not rows:
        return []
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [
        indent + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]


def status(picture: Picture, zone: tzinfo) -> str:
    """The site in one screen."""
    newest = f"newest reading {when(picture.heard_s, zone)}" if picture.heard_s is not None else "nothing read yet"
    lines = [f"{picture.site}, {when(picture.at_s, zone)}; {newest}", picture.headline, ""]
    for place in (picture.headend, *picture.poles):
        lines += _place(place, zone)
    if picture.supplies:
        lines += ["supplies", *table([_margin(m) for m in picture.supplies]), ""]
    return "\n".join([*lines, *picture.notes]).rstrip()


def _place(place: PlaceView, zone: tzinfo) -> list[str]:
    heard = f", last heard {when(place.answered_s, zone)}" if place.answered_s and place.state != "answers" else ""
    reason = f" ({place.reason})" if place.reason else ""
    lines = [f"{place.name}: {place.state}{reason}{heard}"]
    if place.state in ("silent", "not seen"):
        return [*lines, ""]
    lines += table([_margin(m) for m in place.margins])
    loads = [(load.name, load.state, ", ".join(f"{k} {v}" for k, v in load.layers.items())) for load in place.loads]
    return [*lines, *table(loads), ""]


def _margin(margin: MarginView) -> tuple[str, ...]:
    limits = [
        f"at least {margin.low:g}" if margin.low is not None else "",
        f"at most {margin.high:g}" if margin.high is not None else "",
    ]
    left = f"margin {margin.margin:.1f}" if margin.margin is not None else ""
    return (
        margin.resource,
        margin.quantity,
        margin.text,
        margin.standing,
        left,
        f"({', '.join(filter(None, limits))} {margin.unit})",
    )


def alarms(views: Iterable[AlarmView], zone: tzinfo) -> str:
    """One list by pole; cleared ones beneath."""
    standing = [a for a in views if not a.cleared]
    past = [a for a in views if a.cleared]
    lines = [f"{len(standing)} standing"] if standing else ["no alarm stands"]
    places = list(dict.fromkeys(place_of(a.resource) for a in standing))  # in the order of each one's first alarm
    for alarm in sorted(standing, key=lambda a: places.index(place_of(a.resource))):
        lines += _alarm(alarm, zone)
    if past:
        lines += ["", f"{len(past)} cleared"]
        lines += table(
            [
                (a.resource, a.type, a.severity, f"{when(a.raised_s, zone)} to {when(a.changed_s, zone)}", a.settled)
                for a in past
            ]
        )
    return "\n".join(lines)


def _alarm(alarm: AlarmView, zone: tzinfo) -> list[str]:
    qualifier = f" ({alarm.qualifier})" if alarm.qualifier else ""
    lines = [
        f"  {alarm.resource}  {alarm.type}{qualifier}  {alarm.severity}  since {when(alarm.raised_s, zone)}"
        + (f"  {alarm.operator}" if alarm.operator != "none" else "")
    ]
    lines.append(f"      {alarm.text}")
    if alarm.root:
        lines.append(f"      explained by: {alarm.root}")
    return lines


def itself(told: Mapping[str, Any]) -> str:
    """How the program itself is doing; what is not known is said as that."""
    known = {name: "not known" if value is None else value for name, value in told.items()}
    hours = told["running_s"] / 3600
    quota = f" of at most {known['quota_mb']}" if told["quota_mb"] is not None else ""
    unasked = ", ".join(f"{count} because of {why}" for why, count in told["not_asked"].items()) or "all"
    refused = ", ".join(f"{count} {why}" for why, count in told["snmp_not_believed"].items()) or "none"
    clock = "right" if told["clock_trusted"] else "nothing keeps it right"
    rows = [
        ("farpole", f"{told['version']}, Python {told['python']}, running for {hours:.1f} h"),
        ("plan", told["plan"]),
        ("rounds", f"{told['late_rounds']} came late since the start"),
        ("clock", f"{clock}; jumped {told['clock_jumps']} times"),
        ("memory", f"{known['memory_mb']} MB"),
        ("disk", f"{known['disk_free_mb']} MB free; the history takes {known['history_mb']}{quota} MB"),
        ("history", told["history_trouble"] or f"written; {told['not_written']} rounds wait, {told['dropped']} lost"),
        ("callouts", f"{told['callouts_waiting']} wait" + "".join(f"; {line}" for line in told["not_proven"])),
        ("agents", f"messages not believed: {refused}"),
        ("asked", f"{unasked}; this program stood still for {told['longest_standstill_s']:.1f} s at the longest"),
        ("sockets", f"{known['descriptors_open']} files and sockets open of {told['descriptors_limit']}"),
        ("page", f"{told['wrong_passwords']} wrong passwords since the start"),
        ("last failure", told["last_failure"] or "none"),
    ]
    if "centre" in told:
        rows.append(("centre", to_centre(told)))
    return "\n".join(f"{name:12}  {text}" for name, text in rows)


def _several(count: int, one: str, more: str) -> str:
    return f"{count} {one if count == 1 else more}"


def to_centre(told: Mapping[str, Any]) -> str:
    """How the reporting to a centre is going, and what waits for it."""
    ago_s, waits = told["centre_answered_ago_s"], told["centre_waiting"]
    heard = "it has not answered since the start" if ago_s is None else f"it answered {ago_s} s ago"
    text = f"{told['centre']}: {told['centre_trouble'] or 'told'}; {heard}"
    if waits is None:
        return text
    behind_s = waits["rounds_behind_s"]
    parts = [_several(waits["changes"], "change of an alarm", "changes of alarms")] if waits["changes"] else []
    parts += [f"rounds of the last {behind_s / 3600:.1f} h"] if behind_s is not None else []
    parts += [_several(waits["days"], "day", "days")] if waits["days"] else []
    return f"{text}; waiting for it: {', '.join(parts) or 'nothing'}"


def why(place: str, views: Iterable[AlarmView], zone: tzinfo) -> str:
    """Why a place is in alarm: cause, evidence, what to check first, what to take, cautions; and what is over last."""
    here = [a for a in views if place in (a.resource, place_of(a.resource), *a.impacted)]
    mine = [a for a in here if not a.cleared]
    past = [_past(a, zone) for a in here if a.cleared][:1]
    if not mine:
        return "\n".join([f"{place}: no alarm stands", *past])
    lines: list[str] = []
    for alarm in mine:
        lines += [
            f"{alarm.resource}: {alarm.type}, {alarm.severity}, since {when(alarm.raised_s, zone)}",
            f"  {alarm.text}",
        ]
        cause = alarm.cause
        if cause is None:
            lines += [f"  means: {alarm.meaning}", f"  what to do: {alarm.to_do}"]
            continue
        lines += [
            f"  {cause['certainty']}: {cause['sentence']}",
            *(f"  seen: {line}" for line in cause["evidence"]),
            f"  check first: {cause['look_first']}",
            f"  take along: {', '.join(cause['van_list'])}",
            *(f"  caution: {line}" for line in cause["cautions"]),
        ]
    return "\n".join([*lines, *past])


def _past(alarm: AlarmView, zone: tzinfo) -> str:
    """An alarm that is over, as history."""
    stood = f"{when(alarm.raised_s, zone)} to {when(alarm.changed_s, zone)}"
    cause = f"; {alarm.cause['certainty']}: {alarm.cause['sentence']}" if alarm.cause else ""
    settled = f"; settled: {alarm.settled}" if alarm.settled else ""
    return f"past: {alarm.resource}: {alarm.type}, {stood}{cause}{settled}"
