"""Somebody stands at a pole, hands on the connector: its figures each second, for ten minutes.

What is read so is for his eyes only: it is not kept, and raises and clears nothing; the usual rounds go on beside it.
"""

import asyncio
import json
import logging
import re
from collections import deque
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from monitor.daemon.clock import Clock
from monitor.daemon.closely import look
from monitor.daemon.keeper import Keeper
from monitor.daemon.rounds import Rounds
from monitor.facts import resources
from monitor.facts.readings import Reading, Slot, State
from monitor.history.records import BaselineSet, Repair
from monitor.history.store import NotKept
from monitor.margins.kinds import KINDS
from monitor.show.photo import NotAPhoto, drawn_anew
from monitor.show.ports import Refused
from monitor.show.standing import Figure, Standing

log = logging.getLogger(__name__)

LASTS_S, EACH_S = 600.0, 1.0
STEADY = 10
"""Of so many seconds the median is taken for a stamp."""
MOST_POLES = 3
STAMP, PHOTO = "stamp", "photo"
MOST_PHOTOS_OCTETS, MOST_IN_A_ROW = 2**30, 30


@dataclass
class _Visit:
    pole: str
    until_s: float
    now: dict[Slot, Reading] = field(default_factory=dict)
    recent: dict[Slot, deque[float]] = field(default_factory=dict)
    stamps: dict[str, tuple[float, dict[Slot, float]]] = field(default_factory=dict)
    at_s: float = 0.0
    task: asyncio.Task[None] | None = None


def _written(folder: Path, tail: str, now_s: float, drawn: bytes) -> str:
    """Write a photo beside those that are there; its name. Raises Refused and OSError."""
    folder.mkdir(mode=0o750, exist_ok=True)
    if sum(file.stat().st_size for file in folder.iterdir()) + len(drawn) > MOST_PHOTOS_OCTETS:
        raise Refused(f"{folder} holds 1 GiB of photos already; move some away")
    for second in range(int(now_s), int(now_s) + MOST_IN_A_ROW):
        with suppress(FileExistsError):  # several of one second stay beside each other
            with (folder / f"{second}-{tail}").open("xb") as file:
                file.write(drawn)
            return f"{second}-{tail}"
    raise Refused("too many photos in one second; send it again")


class AtThePole:
    """Visits under one plan."""

    def __init__(self, rounds: Rounds, keeper: Keeper, clock: Clock, folder: Path) -> None:
        self._rounds, self._keeper, self._clock, self._folder = rounds, keeper, clock, folder
        self._visits: dict[str, _Visit] = {}
        self._drawing = asyncio.Lock()

    def begin(self, pole: str) -> None:
        """Read a pole each second, for ten minutes from now. Raises Refused."""
        visit = self._visits.setdefault(pole, _Visit(pole, 0.0))
        reading = [one for one in self._visits.values() if one.task is not None and not one.task.done()]
        if visit not in reading and len(reading) >= MOST_POLES:
            raise Refused(f"{', '.join(one.pole for one in reading)} are read each second now; that is enough at once")
        visit.until_s = self._clock.monotonic_s() + LASTS_S
        if visit.task is None or visit.task.done():
            visit.task = asyncio.create_task(self._read(visit), name=f"at {pole}")

    def close(self) -> None:
        """End all of it."""
        for visit in self._visits.values():
            if visit.task is not None:
                visit.task.cancel()

    async def _read(self, visit: _Visit) -> None:
        while self._clock.monotonic_s() < visit.until_s:
            next_s = self._clock.monotonic_s() + EACH_S
            try:
                await self._once(visit)
            except Exception:  # whatever it was, the next second may be better; it is on record
                log.exception("reading %s each second", visit.pole)
            await self._clock.sleep(max(0.05, next_s - self._clock.monotonic_s()))

    async def _once(self, visit: _Visit) -> None:
        visit.now, visit.at_s = await look(self._rounds, visit.pole), self._clock.wall_s()
        for slot, reading in visit.now.items():
            if reading.value is not None:
                visit.recent.setdefault(slot, deque(maxlen=STEADY)).append(reading.value)
            else:
                visit.recent.pop(slot, None)

    def look(self, pole: str) -> Standing:
        """How it stands at a pole now."""
        visit = self._visits.get(pole) or _Visit(pole, 0.0)
        left_s = max(0.0, visit.until_s - self._clock.monotonic_s())
        limits, before, after = self._rounds.memory.limits, visit.stamps.get("before"), visit.stamps.get("after")
        figures = tuple(
            Figure.of(
                reading,
                limits.get(slot),
                before[1].get(slot) if before else None,
                after[1].get(slot) if after else None,
            )
            for slot, reading in visit.now.items()
            if reading.state is not State.ABSENT
        )
        times = [one[0] if one else None for one in (before, after)]
        return Standing(pole, visit.at_s, left_s, figures, times[0], times[1])

    async def stamp(self, pole: str, which: str, who: str) -> None:
        """Hold how it stands, as ``before`` or ``after`` the work. Raises Refused."""
        visit = self._visits.get(pole)
        steady = {slot: sorted(some)[len(some) // 2] for slot, some in visit.recent.items()} if visit else {}
        if visit is None or not steady:
            raise Refused(f"nothing has been read at {pole} yet; begin, and wait some seconds")
        now_s = self._clock.wall_s()
        visit.stamps[which] = (now_s, steady)
        words = {"which": which, "who": who, "figures": {f"{s.resource}:{s.quantity}": v for s, v in steady.items()}}
        await self._kept(now_s, STAMP, pole, json.dumps(words))

    async def note(self, pole: str, who: str, text: str, baseline: bool, photo: bytes) -> None:
        """Keep what was done, a photo of it, and where the margins begin anew. Raises Refused."""
        now_s, visit = self._clock.wall_s(), self._visits.get(pole)
        name = await self._put(pole, now_s, photo) if photo else ""
        try:
            await self._keeper.ask(lambda store: store.repaired(Repair(now_s, pole, who, text)))
            if visit is not None and baseline:
                for one in self._baselines(visit, pole, now_s, f"{who}: {text}"):
                    await self._keeper.ask(lambda store: store.baselined(one))  # noqa: B023  # awaited before the next turn
        except NotKept as error:
            raise Refused(f"the note could not be kept: {error}") from None
        self._rounds.memory.visits[pole] = now_s
        if name:
            await self._kept(now_s, PHOTO, pole, json.dumps({"file": name, "who": who, "text": text}))

    def _baselines(self, visit: _Visit, pole: str, now_s: float, why: str) -> list[BaselineSet]:
        values = {slot: sorted(some)[len(some) // 2] for slot, some in visit.recent.items() if slot.quantity in KINDS}
        spreads = {slot: max(visit.recent[slot]) - min(visit.recent[slot]) for slot in values}
        detail = json.dumps({"seconds": STEADY, "at": pole})
        return [BaselineSet(s.resource, s.quantity, now_s, v, spreads[s], why, detail) for s, v in values.items()]

    async def _put(self, pole: str, now_s: float, photo: bytes) -> str:
        """Keep a photo, drawn anew, as a file of the data directory; its name. Raises Refused."""
        try:
            async with self._drawing:  # each takes memory that the daemon shares
                drawn = await drawn_anew(photo)
        except NotAPhoto:
            words = "the photo is no JPEG or PNG that can be read, or larger than 24 million pixels"
            raise Refused(f"{words}; the note was not kept") from None
        folder = self._folder / "photos"
        try:
            return await asyncio.to_thread(_written, folder, f"{re.sub(r'[^A-Za-z0-9]+', '-', pole)}.jpg", now_s, drawn)
        except OSError as error:
            raise Refused(f"the photo could not be kept in {folder}: {error.strerror}") from None

    def photo(self, name: str) -> Path:
        """The file of a photo. Raises Refused."""
        file = self._folder / "photos" / name
        if not re.fullmatch(r"\d+-[A-Za-z0-9-]+\.(jpg|png)", name) or not file.is_file():
            raise Refused(f"there is no photo {name!r}")
        return file

    async def done_at(self, pole: str) -> list[tuple[float, str, str, str]]:
        """What was noted at a pole, newest first: when, who, what, name of its photo."""
        repairs = await self._keeper.ask(lambda store: store.repairs())
        photos = {(at_s, place): text for at_s, place, text in await self._keeper.ask(lambda store: store.notes(PHOTO))}
        rows = []
        for one in reversed(repairs):
            if resources.place_of(one.resource) == pole:
                kept = photos.get((one.at_s, one.resource))
                rows.append((one.at_s, one.who, one.text, str(json.loads(kept)["file"]) if kept else ""))
        return rows

    async def _kept(self, at_s: float, kind: str, pole: str, words: str) -> None:
        try:
            await self._keeper.ask(lambda store: store.note(at_s, kind, pole, words))
        except NotKept as error:
            raise Refused(f"that could not be kept: {error}") from None
