"""Reading a farm's file: every limit is held before anything is unpacked, whoever has made it.

Only what farpole itself writes is understood, as POSIX.1-2017 (pax, "pax Interchange Format") has it: plain files, each
with at most one small extended header. Nothing is compressed, so that nothing can be larger than the file itself.
"""

import hashlib
import json
import re
import shutil
import tarfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from monitor.daemon.lock import HISTORY
from monitor.history.store import NotKept
from monitor.history.trouble import Reason

MANIFEST, SECRETS = "manifest.json", "secrets.encrypted"
_PART = r"[A-Za-z0-9_][A-Za-z0-9_.-]*"
_KNOWN = re.compile(
    rf"manifest\.json|secrets\.encrypted|history\.sqlite|plan\.yaml|(datasheets|languages|photos)/{_PART}"
)
_DIGEST = re.compile(r"[0-9a-f]{64}")
_BLOCK = 512
MOST_MEMBERS = 20_000
MOST_PAX_OCTETS = 8192
MOST_OCTETS = {MANIFEST: 8 * 2**20, SECRETS: 2**20, HISTORY: 2**43}
MOST_OF_OTHERS = 64 * 2**20
"""What a plan, a datasheet, a language or a photo may take at most."""
SPARED_OCTETS = 64 * 2**20
"""Room that unpacking leaves on the disk."""


class Refused(ValueError):
    """This is no file of farpole's; the message says why."""


@dataclass(frozen=True, slots=True)
class Member:
    """A plain file in the archive, and where its octets stand."""

    name: str
    at: int
    size: int


def members(opened: BinaryIO) -> list[Member]:
    """What the archive holds, read from its heads only; raises Refused."""
    end = opened.seek(0, 2)
    found: dict[str, Member] = {}
    at, told = 0, dict[str, str]()
    while at + _BLOCK <= end:
        opened.seek(at)
        block = opened.read(_BLOCK)
        if not any(block):
            break  # the end, as two empty blocks say
        one = _head(block)
        at += _BLOCK
        if one.type == tarfile.XHDTYPE:
            told = _pax(opened, one, told)
        else:
            member = _member(one, told, at)
            if member.name in found:
                raise Refused(f"{member.name} is in it twice")
            found[member.name], told = member, {}
            one.size = member.size
        at += -(-one.size // _BLOCK) * _BLOCK
        if at > end:
            raise Refused(f"it ends in the middle of {one.name[:100]!r}")
        if len(found) > MOST_MEMBERS:
            raise Refused(f"it has more than {MOST_MEMBERS} members")
    return list(found.values())


def _head(block: bytes) -> tarfile.TarInfo:
    try:
        return tarfile.TarInfo.frombuf(block, "utf-8", "surrogateescape")
    except tarfile.HeaderError as error:
        raise Refused(f"a head in it is damaged: {error}") from None


def _pax(opened: BinaryIO, one: tarfile.TarInfo, before: dict[str, str]) -> dict[str, str]:
    """Keywords of an extended header: ``length keyword=value`` and a line feed, each."""
    if before or not 0 <= one.size <= MOST_PAX_OCTETS:
        raise Refused("an extended header in it is too long")
    raw, told = opened.read(one.size), dict[str, str]()
    while raw:
        length, _, _ = raw.partition(b" ")
        octets = int(length) if length.isdigit() and len(length) < 6 else 0
        record, raw = raw[len(length) + 1 : octets], raw[max(octets, 1) :]
        keyword, equals, value = record.partition(b"=")
        if not octets or not equals or not value.endswith(b"\n") or keyword.startswith(b"GNU.sparse"):
            raise Refused("an extended header in it is not right")
        told[keyword.decode("utf-8", "replace")] = value[:-1].decode("utf-8", "replace")
    return told


def _member(one: tarfile.TarInfo, told: dict[str, str], at: int) -> Member:
    name, size = told.get("path", one.name), told.get("size", str(one.size))
    if one.type not in (tarfile.REGTYPE, tarfile.AREGTYPE) or not _KNOWN.fullmatch(name):
        raise Refused(f"{name[:200]!r} does not belong there")
    if not size.isdecimal() or int(size[:20]) > MOST_OCTETS.get(name, MOST_OF_OTHERS):
        raise Refused(f"{name} is larger than it can be")
    return Member(name, at, int(size))


def hashes(opened: BinaryIO, found: list[Member]) -> dict[str, str]:
    """What the manifest says of each member; raises Refused where it is not right, or does not name just these."""
    if not found or MANIFEST not in {one.name for one in found}:
        raise Refused("it has no manifest")
    try:
        said: Any = json.loads(content(opened, next(one for one in found if one.name == MANIFEST)))
        wanted = said["sha256"]
        right = all(_KNOWN.fullmatch(name) and _DIGEST.fullmatch(value) for name, value in wanted.items())
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        right = False
    if not right:
        raise Refused("its manifest is not as farpole writes it")
    odd = {one.name for one in found if one.name != MANIFEST} ^ set(wanted)
    if odd or HISTORY not in wanted:
        raise Refused(f"its manifest does not fit its members: {', '.join(sorted(odd)[:5]) or HISTORY}")
    return dict(wanted)


def content(opened: BinaryIO, member: Member) -> bytes:
    """The octets of a small member."""
    opened.seek(member.at)
    return opened.read(member.size)


def lay_out(file: Path, folder: Path) -> list[str]:
    """Lay the members of a file out in an empty folder, each held against the manifest; their names.

    Raises NotKept, in one line, and then nothing of the folder is of use.
    """
    try:
        with file.open("rb") as opened:
            found = members(opened)
            wanted = hashes(opened, found)
            found = [one for one in found if one.name != MANIFEST]
            _room(folder, sum(one.size for one in found))
            wrong = [one.name for one in found if _copied(opened, one, folder) != wanted[one.name]]
    except Refused as error:
        raise NotKept(f"{file} is no backup of farpole, or it is damaged: {error}", Reason.DAMAGED) from None
    except NotKept:
        raise
    except OSError as error:
        raise NotKept(f"{file} cannot be unpacked: {error}") from None
    if wrong:
        raise NotKept(f"{file} is damaged: {', '.join(wrong[:5])} is not as it was written", Reason.DAMAGED)
    return [one.name for one in found]


def secrets_in(file: Path) -> bytes | None:
    """The encrypted secrets of a file; None where it has none. Raises NotKept."""
    try:
        with file.open("rb") as opened:
            found = [one for one in members(opened) if one.name == SECRETS]
            return content(opened, found[0]) if found else None
    except Refused as error:
        raise NotKept(f"{file} is no backup of farpole, or it is damaged: {error}", Reason.DAMAGED) from None


def _room(folder: Path, octets: int) -> None:
    free = shutil.disk_usage(folder).free
    if octets + SPARED_OCTETS > free:
        words = f"{octets >> 20} MiB do not fit where {free >> 20} are free, with {SPARED_OCTETS >> 20} left over"
        raise NotKept(f"there is no room to unpack in {folder.parent}: {words}", Reason.FULL)


def _copied(opened: BinaryIO, member: Member, folder: Path) -> str:
    """Write a member into its own file; its SHA-256."""
    to = folder / member.name
    to.parent.mkdir(exist_ok=True)
    digest = hashlib.sha256()
    opened.seek(member.at)
    with to.open("xb") as out:
        for octets in _pieces(opened, member.size):
            digest.update(octets)
            out.write(octets)
    return digest.hexdigest()


def _pieces(opened: BinaryIO, size: int) -> Iterator[bytes]:
    while size > 0:
        octets = opened.read(min(size, 2**20))
        if not octets:
            raise Refused("it ends too early")
        size -= len(octets)
        yield octets
