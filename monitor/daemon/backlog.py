"""What waits in memory while the history cannot be written: bounded, and what had to be dropped is counted."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from monitor.alarms.book import Change, Key
from monitor.alarms.messages import Message
from monitor.facts.readings import Round
from monitor.history.store import Store

MOST_ROUNDS = 50_000
"""Rounds held in memory while the disk cannot be written: about six hours of a 12-pole site, some 50 MB."""
MOST_RECORDS = 5_000
"""Changes of alarms with their messages, and other notes, likewise: weeks of a site that is not at rest, some 20 MB."""

Record = tuple[Sequence[Change], Sequence[Message]]
Owed = Callable[[Store], object]


@dataclass
class Backlog:
    """Rounds, changes of alarms with their messages, and other notes, each in the order in which they came."""

    rounds: list[Round] = field(default_factory=list)
    untimed: list[tuple[Round, float]] = field(default_factory=list)
    """Rounds of a clock that is not trusted, with wall time minus monotonic time as it was then [s]."""
    records: list[Record] = field(default_factory=list)
    owed: list[Owed] = field(default_factory=list)
    sent_s: dict[Message, float] = field(default_factory=dict)
    """Messages of the records that have left already, and when."""
    going: set[Message] = field(default_factory=set)
    """Messages of the records that are under way: nobody knows yet whether they will have left."""
    dropped: int = 0

    def __len__(self) -> int:
        return len(self.rounds) + len(self.untimed) + len(self.records) + len(self.owed)

    def unwritten(self, now_s: float) -> list[Message]:
        """Messages that may leave now; a callout whose alarm has ended or been explained since is not needed."""
        found = []
        for i, (_, messages) in enumerate(self.records):
            later = [change for changes, _ in self.records[i + 1 :] for change in changes]
            over = {(c.alarm.key.resource, c.alarm.key.type) for c in later if c.what in ("cleared", "linked")}
            for one in messages:
                needed = one.kind != "callout" or (one.resource, one.type) not in over
                if one.not_before_s <= now_s and one not in self.sent_s and one not in self.going and needed:
                    found.append(one)
        return found

    def left(self, message: Message, sent_s: float | None) -> None:
        """A message that was under way has gone, at that time, or has not."""
        self.going.discard(message)
        if sent_s is not None and any(message in messages for _, messages in self.records):
            self.sent_s[message] = sent_s

    def bound(self) -> None:
        """Drop what is too much: the oldest rounds and notes; of alarms first what newer changes have overtaken.

        Not while any of it is being written.
        """
        for waiting in (self.rounds, self.untimed, self.owed):
            self._cut(waiting, MOST_RECORDS if waiting is self.owed else MOST_ROUNDS)
        if len(self.records) > MOST_RECORDS:
            self.records = self._newest()
            self._cut(self.records, MOST_RECORDS)
            left = {one for _, messages in self.records for one in messages}
            self.sent_s = {one: at_s for one, at_s in self.sent_s.items() if one in left}

    def _cut(self, waiting: "list[Round] | list[tuple[Round, float]] | list[Record] | list[Owed]", most: int) -> None:
        more = max(0, len(waiting) - most)
        del waiting[:more]
        self.dropped += more

    def _newest(self) -> list[Record]:
        """The newest change of each alarm; what was not sent yet, and the newest to each person of what was."""
        changed: set[Key] = set()
        told: set[tuple[str, str, str]] = set()
        kept: list[Record] = []
        for changes, messages in reversed(self.records):
            last = [c for i, c in enumerate(changes) if c.alarm.key not in {d.alarm.key for d in changes[i + 1 :]}]
            last = [c for c in last if c.alarm.key not in changed]
            needed = [m for m in messages if m not in self.sent_s or (m.person, m.resource, m.type) not in told]
            changed |= {c.alarm.key for c in changes}
            told |= {(m.person, m.resource, m.type) for m in messages if m in self.sent_s}
            if last or needed:
                kept.append((last, needed))
            else:
                self.dropped += 1
        return kept[::-1]
