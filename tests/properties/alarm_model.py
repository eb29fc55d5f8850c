"""What alarms do, written a second time and on its own: for tests to hold the alarm book and the callouts against.

Nothing here is taken from ``monitor``: states, severities and delays are plain words and numbers of this file.

- RFC 8632, module ietf-alarms (in our own words, from memory): an alarm is one entry for ever, told by resource, type
  and qualifier (section 3.2); raise, change of severity and clear are the resource's, and whoever operates never clears
  (3.5.1); typedef operator-state: *none* nobody takes care, *ack* somebody does and nothing is mended yet, *closed* it
  is mended, *shelved* and *un-shelved* belong to shelves (3.5.2, 4.5).
- ISA-18.2 and IEC 62682 (terms, from memory): on-delay, the condition must last before the alarm is raised; off-delay,
  its end must last before the alarm is cleared; a chattering alarm comes and goes many times in a short time.
- The figures are the project's own (the table of alarm types and "Callouts" in DEVELOPERS.md).
"""

from dataclasses import dataclass, field

ON_OFF_ROUNDS = {"pole-silent": (1, 1), "light-low": (2, 2), "load-silent": (3, 2), "port-cut": (1, 3)}
"""Alarm type → rounds in a row that are needed to raise it, and to clear it."""
CHATTER_TIMES, WITHIN_S, QUIET_S = 4, 3600.0, 1800.0


def may_become(now: str, wanted: str) -> bool:
    """May a person bring an alarm from one operator state to another? By what the RFC says that the states mean."""
    if now == wanted or wanted == "none":
        return False  # that somebody has looked is not taken back: only a new occurrence starts from none
    if now == "shelved":
        return wanted == "un-shelved"  # a shelved alarm is not in the alarm list, where people act
    if wanted in ("shelved", "un-shelved"):
        return wanted == "shelved"
    return now != "closed"  # "mended" is not followed by "not mended yet"


@dataclass
class Modelled:
    """One alarm, from its first judgement on."""

    on_rounds: int
    off_rounds: int
    standing: bool = False
    severity: str = ""
    operator: str = "none"
    root: str = ""
    times: int = 0
    raised_s: list[float] = field(default_factory=list)
    in_a_row: int = 0
    held: bool = False
    bad_s: float = 0.0

    def judged(self, severity: str, root: str, now_s: float) -> str:
        """One judgement (an empty severity: all is well); what happens to the alarm, or nothing."""
        if severity:
            self.bad_s = now_s
        return self._while_standing(severity, root, now_s) if self.standing else self._before(severity, root, now_s)

    def _before(self, severity: str, root: str, now_s: float) -> str:
        explained = bool(root)  # the alarm of the root is told, and this one is its consequence
        self.in_a_row = 0 if explained or not severity else self.in_a_row + 1
        if self.in_a_row < self.on_rounds:
            return ""
        self.times += 1
        self.raised_s.append(now_s)
        self.standing, self.severity, self.root, self.in_a_row = True, severity, "", 0
        self.operator = "shelved" if self.operator == "shelved" else "none"
        self._hold_if_it_chatters(now_s)
        return "raised again" if self.times > 1 else "raised"

    def _while_standing(self, severity: str, root: str, now_s: float) -> str:
        if not severity:
            return self._better(now_s)
        self.in_a_row = 0
        self._hold_if_it_chatters(now_s)
        was, self.severity, self.root = (self.severity, self.root), severity, root
        if severity != was[0]:
            return "severity changed"
        return "linked" if root != was[1] else ""

    def _better(self, now_s: float) -> str:
        if self.held and now_s - self.bad_s < QUIET_S:
            return ""  # the off-delay begins once it has been quiet for long enough
        self.held = False
        self.in_a_row += 1
        if self.in_a_row < self.off_rounds:
            return ""
        self.standing, self.in_a_row = False, 0
        return "cleared"

    def _hold_if_it_chatters(self, now_s: float) -> None:
        lately = [at_s for at_s in self.raised_s if now_s - at_s < WITHIN_S]
        self.held = self.held or len(lately) >= CHATTER_TIMES

    def left_the_plan(self) -> str:
        """Its resource is no longer in the plan: nothing of it is waited for; what comes back starts anew."""
        was, self.standing, self.held, self.in_a_row = self.standing, False, False, 0
        self.raised_s.clear()
        return "cleared" if was else ""

    def operated(self, wanted: str) -> bool:
        """A person's act; is it allowed?"""
        allowed = may_become(self.operator, wanted)
        self.operator = wanted if allowed else self.operator
        return allowed

    def shelf(self, there: bool) -> str:
        """It is, or is not, on a shelf; what happens to it."""
        if there and self.standing and self.operator != "shelved":
            self.operator = "shelved"
            return "shelved"
        if not there and self.operator == "shelved":
            self.operator = "un-shelved"
            return "un-shelved"
        return ""

    @property
    def asks_for_people(self) -> bool:
        """Does it call anybody? Not what is explained by another, shelved, mended or over."""
        return self.standing and not self.root and self.operator not in ("shelved", "closed")


@dataclass
class Person:
    """Somebody who is called out, what they have been told of each alarm, and when last."""

    name: str
    severities: tuple[str, ...]
    after_s: float = 0.0
    remind_s: float = 0.0
    told: set[str] = field(default_factory=set)
    called_s: dict[str, float] = field(default_factory=dict)

    def news(self, about: str, what: str, alarm: Modelled, now_s: float) -> str:
        """What this person is sent at once when something happens to an alarm."""
        if what == "cleared":
            self.called_s.pop(about, None)
            kind = "all clear" if about in self.told else ""
            self.told.discard(about)
            return kind
        calling = what in ("raised", "raised again", "severity changed", "un-shelved") and alarm.asks_for_people
        return self._called(about, "callout", now_s) if calling and self._wants(alarm) and not self.after_s else ""

    def time(self, about: str, alarm: Modelled, hold_s: float, now_s: float) -> str:
        """What time alone calls for: nobody has answered yet, so the next person, and reminders."""
        if not alarm.asks_for_people or alarm.operator == "ack" or not self._wants(alarm):
            return ""
        if about not in self.called_s:
            due = now_s - alarm.raised_s[-1] >= hold_s + self.after_s
            return self._called(about, "callout", now_s) if due else ""
        due = bool(self.remind_s) and now_s - self.called_s[about] >= self.remind_s
        return self._called(about, "reminder", now_s) if due else ""

    def _wants(self, alarm: Modelled) -> bool:
        return alarm.severity in self.severities

    def _called(self, about: str, kind: str, now_s: float) -> str:
        self.told.add(about)
        self.called_s[about] = now_s
        return kind
