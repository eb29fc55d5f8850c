"""The site's history as the outbox of a centre: what goes next, and what has arrived."""

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from monitor.centre.parcel import MOST_OCTETS
from monitor.centre.ports import Known, Load, NotNow
from monitor.daemon.clock import Clock
from monitor.daemon.keeper import Keeper
from monitor.history.fold import BLOCKS, DAY_S
from monitor.history.outbound import CHANGES, DAYS, EVENTS, FEATURE_DAYS, ROUNDS, Piece, Sheet, Waiting
from monitor.history.store import NotKept, Store

log = logging.getLogger(__name__)

T = TypeVar("T")
PEER = "centre"
SHEETS_EVERY_S = 10.0
WRITE_EVERY_S = 300.0
"""How often cursors are written: the centre knows them itself, here they only tell how much waits."""
MOST_RECORDS, MOST_ROWS = 200, 2000
ROOM_OCTETS = MOST_OCTETS * 3 // 4


@dataclass(frozen=True, slots=True)
class _Day:
    """A day that is being sent in parts."""

    change: int
    day: int
    next_series: int = 0


class SiteOutbox:
    """Fills what the reporter needs from the keeper of the site's history."""

    def __init__(
        self, keeper: Keeper, clock: Clock, about: Callable[[], Mapping[str, Any]], metered: bool = False
    ) -> None:
        self._keeper, self._clock, self._about, self._metered = keeper, clock, about, metered
        self._sheets: list[Sheet] = []
        self._sheets_s = self._written_s = -1e9
        self._day: _Day | None = None
        self._up_to: dict[str, int] = {}
        self._late: set[int] = set()
        """Late rounds that have arrived, while a disk that cannot be written still lists them."""

    async def _ask(self, question: Callable[[Store], T]) -> T:
        try:
            return await self._keeper.ask(question)
        except NotKept as error:
            raise NotNow(f"the history cannot be used for the centre: {error}") from None

    async def history(self) -> str:
        """The name of this history."""
        return await self._ask(lambda store: store.history_id())

    async def is_behind(self, known: Known) -> bool:
        """Does the centre know changes of alarms that are not here?"""
        last, at_s = known.up_to[CHANGES], known.newest_change_s
        return bool(last and at_s is not None and not await self._ask(lambda store: store.has_change(last, at_s)))

    async def fork(self) -> str:
        """Go on under a new name."""
        return await self._ask(lambda store: store.fork())

    async def read_since(self, up_to: Mapping[str, int], sheets: Mapping[str, str], catching_up: bool) -> Load | None:
        """What goes next: what the rest is read by, alarms, how the site stands, then what waits, oldest first."""
        return (
            await self._changed_sheet(sheets)
            or _records(await self._ask(lambda store: store.changes_after(up_to[CHANGES], MOST_RECORDS)))
            or (None if self._metered else await self._rounds(up_to[ROUNDS], catching_up))
            or _records(await self._ask(lambda store: store.events_after(up_to[EVENTS], MOST_RECORDS)))
            or await self._days(up_to[DAYS])
            or await self._features(up_to[FEATURE_DAYS])
        )

    async def confirmed(self, load: Load) -> None:
        """These rows have arrived."""
        if load.kind == DAYS and self._day is not None:
            last = load.blobs[-1][0] + 1 if load.blobs else 0
            self._day = None if load.up_to is not None else _Day(self._day.change, self._day.day, last)
        if load.up_to is not None:
            self._up_to[load.kind] = load.up_to
        try:
            if load.head.get("late"):
                self._late |= {number for number, _ in load.blobs}
                await self._keeper.ask(lambda store: store.late_confirmed(sorted(self._late)))
                self._late.clear()
            if self._up_to and self._clock.monotonic_s() - self._written_s >= WRITE_EVERY_S:
                await self.write()
        except NotKept as error:
            log.error("what the centre has could not be written down here: %s", error)

    async def waiting(self, up_to: Mapping[str, int] | None) -> Waiting:
        """What the centre has not got; without cursors of its own by those that were written down. Raises NotKept."""

        def look(store: Store) -> Waiting:
            found = store.waiting(up_to or store.confirmed(PEER))
            return replace(found, rounds_since_s=None) if self._metered else found

        return await self._keeper.ask(look)

    async def write(self) -> None:
        """Write down what has arrived; raises NotKept."""
        moved, self._up_to = self._up_to, {}
        await self._keeper.ask(lambda store: store.confirm(PEER, moved))
        self._written_s = self._clock.monotonic_s()

    async def _changed_sheet(self, sheets: Mapping[str, str]) -> Load | None:
        now_s = self._clock.monotonic_s()
        if now_s - self._sheets_s >= SHEETS_EVERY_S:
            kept = await self._ask(lambda store: store.sheets())
            self._sheets = [*kept, *(Sheet.of(name, document) for name, document in self._about().items())]
            self._sheets_s = now_s
        for one in self._sheets:
            if sheets.get(one.name) != one.digest:
                return Load("sheet", {"name": one.name, "digest": one.digest, "text": one.text})
        return None

    async def _rounds(self, after: int, catching_up: bool) -> Load | None:
        piece = await self._ask(lambda store: store.rounds_after(after, MOST_ROWS))
        if catching_up and len(piece.blobs) == MOST_ROWS:
            since_s = self._clock.wall_s() - DAY_S
            newest = await self._ask(lambda store: store.newest_rounds(since_s))
            return Load(ROUNDS, {"live": True}, fitting(newest))
        listed = await self._ask(lambda store: store.late_rounds(MOST_ROWS + len(self._late)))
        late = tuple(one for one in listed if one[0] not in self._late)
        if late:
            return Load(ROUNDS, {"late": True}, fitting(late))
        if not piece.blobs:
            return None
        some = fitting(piece.blobs)
        return Load(ROUNDS, {"up_to": some[-1][0]}, some, some[-1][0])

    async def _days(self, after: int) -> Load | None:
        """The next part of a day."""
        if self._day is None or self._day.change <= after:
            changed = await self._ask(lambda store: store.changed_days(BLOCKS, after, 1))
            self._day = _Day(*changed[0]) if changed else None
        if self._day is None:
            return None
        at = self._day
        return await self._ask(lambda store: _part_of(store, at))

    async def _features(self, after: int) -> Load | None:
        def look(store: Store) -> Load | None:
            changed = store.changed_days(FEATURE_DAYS, after, 1)
            if not changed:
                return None
            change, day = changed[0]
            return Load(FEATURE_DAYS, {"day": day, "records": store.day_features(day), "up_to": change}, (), change)

        return await self._ask(look)


def _part_of(store: Store, at: _Day) -> Load:
    """Some blocks of a day; with the first of them its rollups, with the last its bounds and the cursor."""
    blocks = store.day_blocks(at.day, at.next_series, MOST_ROWS)
    some = fitting(blocks)
    head: dict[str, Any] = {"day": at.day}
    if at.next_series == 0:
        head["records"] = store.day_rollups(at.day)
    if len(some) < len(blocks) or len(blocks) == MOST_ROWS:
        return Load(DAYS, head, some)
    offset_s = int(store.setting_of("standard_offset_s") or 0)
    from_s = at.day * DAY_S - offset_s
    return Load(DAYS, {**head, "from_s": from_s, "to_s": from_s + DAY_S, "up_to": at.change}, some, at.change)


def _records(piece: Piece) -> Load | None:
    if not piece.records:
        return None
    return Load(piece.kind, {"records": list(piece.records), "up_to": piece.up_to}, (), piece.up_to)


def fitting(blobs: tuple[tuple[int, bytes], ...]) -> tuple[tuple[int, bytes], ...]:
    """The first of them that go into one parcel; at least one.

    >>> len(fitting(((1, bytes(600_000)), (2, bytes(600_000)))))
    1
    """
    octets = 0
    for i, (_, blob) in enumerate(blobs):
        octets += len(blob) + 12
        if octets > ROOM_OCTETS and i:
            return blobs[:i]
    return blobs
