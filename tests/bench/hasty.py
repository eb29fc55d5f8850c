"""A daemon that answers "kept" before it has written: python -m tests.bench.hasty run ...

It is there to be caught by ``tests.bench.survive``. What people do is written when some more of its kind has come, so
that of each life that ends suddenly the last notes and the last acts are lost, though they were acknowledged.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any
from unittest.mock import patch

from monitor.alarms.book import Change
from monitor.alarms.messages import Message
from monitor.cli.main import main
from monitor.daemon import opening
from monitor.history.records import Repair
from monitor.history.store import Store

LATE = 5


class Behind(Store):
    """A store that writes what people do when five more have come."""

    def __init__(self, *where: Any, **how: Any) -> None:
        super().__init__(*where, **how)
        self._notes, self._acts = list[Callable[[], None]](), list[Callable[[], None]]()

    def repaired(self, repair: Repair) -> None:
        self._late(self._notes, lambda: super(Behind, self).repaired(repair))

    def record(
        self, changes: Sequence[Change], messages: Iterable[Message] = (), sent_s: Mapping[Message, float] | None = None
    ) -> None:
        def write() -> None:
            super(Behind, self).record(changes, messages, sent_s)

        if any(change.what in ("ack", "closed") for change in changes):
            self._late(self._acts, write)
        else:
            write()

    def _late(self, waiting: list[Callable[[], None]], write: Callable[[], None]) -> None:
        waiting.append(write)
        if len(waiting) > LATE:
            waiting.pop(0)()


if __name__ == "__main__":
    with patch.object(opening, "Store", Behind):
        raise SystemExit(main())
