"""A damaged write-ahead log: SQLite silently drops what follows a frame whose checksum is wrong; this keeps it.

The format is that of SQLite's file format document, section 4 ("The Write-Ahead Log"): a header of 32 octets, then
frames of a header of 24 octets and a page; each frame's checksum goes on from that of the frame before it.
"""

import os
import shutil
import struct
from dataclasses import dataclass
from pathlib import Path

_HEAD, _FRAME = 32, 24
_MASK = 0xFFFFFFFF
Sum = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Mended:
    """What was done to a log."""

    damaged: int
    """Frames whose checksum was wrong, with good commits behind them."""
    followed: int
    """Frames behind the first of them, that would have been dropped."""
    copy: Path
    """The log as it was found."""


def checksum(data: bytes, start: Sum, order: str) -> Sum:
    """The log's checksum over a multiple of 8 octets, going on from ``start``; ``order`` is ``<`` or ``>``."""
    a, b = start
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    for even, odd in zip(words[::2], words[1::2], strict=True):
        a = (a + even + b) & _MASK
        b = (b + odd + a) & _MASK
    return a, b


def mend(log: Path, copy: Path) -> Mended | None:
    """Give damaged frames in the middle of a log a right checksum; None where nothing is wrong with it.

    A torn end, as a power cut leaves it, is nothing wrong: nobody was told that it was kept. Whether a page of a
    mended frame is whole is for the check of the database to find.
    """
    try:
        raw = bytearray(log.read_bytes())
    except FileNotFoundError:
        return None
    if len(raw) < _HEAD:
        return None
    magic, _, page, _, salt_1, salt_2, *own = struct.unpack(">8I", raw[:_HEAD])
    order = ">" if magic & 1 else "<"
    start: Sum = (own[0], own[1])
    if magic & ~1 != 0x377F0682 or checksum(bytes(raw[: _HEAD - 8]), (0, 0), order) != start:
        return None  # no log, or of no known start: the database is then read without it, as SQLite does
    frames = _frames(raw, page, (salt_1, salt_2), order, start)
    commits = [i for i, frame in enumerate(frames) if frame.right and frame.commit]
    damaged = [i for i, frame in enumerate(frames) if not frame.right and commits and i < commits[-1]]
    if not damaged:
        return None
    shutil.copyfile(log, copy)
    pages = max(frame.commit for frame in frames if frame.right)
    _set_right(raw, frames[: commits[-1] + 1], damaged[0], pages, page, (salt_1, salt_2), order, start)
    half = log.with_name(log.name + ".part")
    with half.open("wb") as opened:  # a power cut now must leave the old log or the mended one
        opened.write(raw)
        os.fsync(opened.fileno())
    half.rename(log)
    return Mended(len(damaged), commits[-1] - damaged[0], copy)


def committed(log: Path, octets: int) -> dict[int, bytes]:
    """Page → what the log has committed of it; nothing where there is no log, or one that cannot be read."""
    try:
        raw = bytearray(log.read_bytes())
    except FileNotFoundError:
        return {}
    if len(raw) < _HEAD:
        return {}
    magic, _, page, _, salt_1, salt_2, *own = struct.unpack(">8I", raw[:_HEAD])
    if magic & ~1 != 0x377F0682 or page != octets:
        return {}
    frames = _frames(raw, page, (salt_1, salt_2), ">" if magic & 1 else "<", (own[0], own[1]))
    whole = next((i for i, frame in enumerate(frames) if not frame.right), len(frames))
    last = max((i for i, frame in enumerate(frames[:whole]) if frame.commit), default=-1)
    return {frame.number: bytes(raw[frame.at + _FRAME : frame.at + _FRAME + page]) for frame in frames[: last + 1]}


@dataclass(frozen=True, slots=True)
class _Frame:
    at: int
    number: int
    commit: int
    right: bool


def _frames(raw: bytearray, page: int, salts: Sum, order: str, start: Sum) -> list[_Frame]:
    """The frames of this generation; one of other salts ends it unless frames of ours follow at once."""
    found: list[_Frame] = []
    seed = start
    for at in range(_HEAD, len(raw) - _FRAME - page + 1, _FRAME + page):
        number, commit, salt_1, salt_2, *own = struct.unpack(">6I", raw[at : at + _FRAME])
        ours = (salt_1, salt_2) == salts
        if not ours and found and not found[-1].right:
            break
        right = ours and _sum(raw, at, page, seed, order) == (own[0], own[1])
        found.append(_Frame(at, number, commit, right))
        seed = (own[0], own[1])
    return found


def _sum(raw: bytearray, at: int, page: int, seed: Sum, order: str) -> Sum:
    head = checksum(bytes(raw[at : at + 8]), seed, order)
    return checksum(bytes(raw[at + _FRAME : at + _FRAME + page]), head, order)


def _set_right(
    raw: bytearray,
    frames: list[_Frame],
    first: int,
    pages: int,
    page: int,
    salts: Sum,
    order: str,
    start: Sum,
) -> None:
    before = frames[first - 1].at if first else None
    seed = start if before is None else struct.unpack(">2I", raw[before + 16 : before + 24])
    for i, frame in enumerate(frames[first:], first):
        number, commit = frame.number, frame.commit
        if not frame.right and not 1 <= number <= pages:
            # Whose page this was is lost. The next frame's page in its place does no harm: it is written again there.
            after = frames[i + 1].at
            number, commit = frames[i + 1].number, 0
            raw[frame.at + _FRAME : frame.at + _FRAME + page] = raw[after + _FRAME : after + _FRAME + page]
        if not frame.right and commit > pages:
            commit = 0
        struct.pack_into(">4I", raw, frame.at, number, commit, *salts)
        seed = _sum(raw, frame.at, page, (seed[0], seed[1]), order)
        struct.pack_into(">2I", raw, frame.at + 16, *seed)
