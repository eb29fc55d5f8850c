"""A whole farm in one file: history, plan, its datasheets and languages, photos; secrets only if asked, and encrypted.

The file is a plain tar; ``manifest.json`` in it names every member with its SHA-256, and nothing is taken from a file
whose members do not answer to it.
"""

import hashlib
import io
import json
import os
import tarfile
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

from monitor.daemon.lock import HISTORY
from monitor.daemon.unpacking import MANIFEST, SECRETS, lay_out, secrets_in
from monitor.daemon.version import own_version
from monitor.history import backup, restoring
from monitor.history.backup import Backup
from monitor.history.store import NotKept

BESIDE_PLAN = {"datasheets": "*.yaml", "languages": "*.po"}
LEAST_PASSPHRASE = 12
_SALT_OCTETS, _NONCE_OCTETS = 16, 12
_SCRYPT = {"length": 32, "n": 2**15, "r": 8, "p": 1}
"""RFC 7914, section 2; 32 MiB and a fifth of a second a guess."""


@dataclass(frozen=True, slots=True)
class Packed:
    """What a file holds: its history, and the names of all members."""

    history: Backup
    members: tuple[str, ...]


def pack(data: Path, plan: Path | None, secrets: tuple[Path, str] | None, to: Path, now_s: float) -> Packed:
    """Write a farm into a new file, read it again, and only then give it its name; raises NotKept.

    ``secrets`` are the secrets file and the passphrase that it is encrypted with.
    """
    half = to.with_name(to.name + ".part")
    half.unlink(missing_ok=True)
    try:
        with tempfile.TemporaryDirectory(prefix="farpole-backup-", dir=to.parent) as folder:
            history = Path(folder) / HISTORY
            backup.back_up(data / HISTORY, history)
            members = [(HISTORY, history), *_files(data, plan)]
            hashes = {name: _digest(file) for name, file in members}
            closed = _encrypted(secrets[0].read_bytes(), secrets[1]) if secrets is not None else None
            if closed is not None:
                hashes[SECRETS] = hashlib.sha256(closed).hexdigest()
            with tarfile.open(half, "w") as made:
                manifest = {"farpole": own_version(), "made_s": now_s, "sha256": hashes}
                _add(made, MANIFEST, json.dumps(manifest, indent=1).encode())
                for name, file in members:
                    made.add(file, name, recursive=False, filter=_nobody)
                if closed is not None:
                    _add(made, SECRETS, closed)
        half.chmod(0o600)
        found = look(half)
        with half.open("rb") as written:
            os.fsync(written.fileno())
        half.rename(to)
    except OSError as error:
        half.unlink(missing_ok=True)
        raise NotKept(f"no backup in {to}: {error}") from error
    return found


def _files(data: Path, plan: Path | None) -> Iterator[tuple[str, Path]]:
    if plan is not None:
        yield "plan.yaml", plan
        for folder, pattern in BESIDE_PLAN.items():
            for file in sorted((plan.parent / folder).glob(pattern)):
                yield f"{folder}/{file.name}", file
    for file in sorted((data / "photos").glob("*")):
        yield f"photos/{file.name}", file


def _nobody(member: tarfile.TarInfo) -> tarfile.TarInfo:
    """Without the names of this machine's users."""
    member.uid = member.gid = 0
    member.uname = member.gname = ""
    member.mode = 0o600
    return member


def _add(made: tarfile.TarFile, name: str, octets: bytes) -> None:
    member = tarfile.TarInfo(name)
    member.size, member.mode = len(octets), 0o600
    made.addfile(member, io.BytesIO(octets))


def _digest(file: Path) -> str:
    with file.open("rb") as opened:
        return hashlib.file_digest(opened, "sha256").hexdigest()


def is_packed(file: Path) -> bool:
    """Is it such a file, and no bare history?"""
    with file.open("rb") as opened:
        return opened.read(len(restoring.BARE)) != restoring.BARE


def look(file: Path) -> Packed:
    """Read a file from end to end; raises NotKept where it is not whole."""
    with tempfile.TemporaryDirectory(prefix="farpole-look-", dir=file.parent) as folder:
        members = lay_out(file, Path(folder))
        return Packed(backup.verify(Path(folder) / HISTORY), tuple(members))


def unpack(file: Path, data: Path, plan_folder: Path, beside: Path) -> Packed:
    """Put a farm back: history and photos into the data directory, the rest into a folder; raises NotKept.

    The history that was there is kept as ``beside``; no other file is ever overwritten: what is there already gets its
    restored form beside it, ending in ``.restored``. Nobody may have the history open. The history comes last: where
    anything before it fails, the old one is still in its place.
    """
    with tempfile.TemporaryDirectory(prefix="farpole-restore-", dir=data) as name:
        folder = Path(name)
        members = lay_out(file, folder)
        found = restoring.vet(folder / HISTORY, file)
        for member in members:
            if member not in (HISTORY, SECRETS):
                _beside(folder / member, (data if member.startswith("photos/") else plan_folder) / member)
        restoring.put_in_place(folder / HISTORY, data / HISTORY, beside, file)
    return Packed(found, tuple(members))


def _beside(file: Path, to: Path) -> None:
    """Put a file where it was, or, where there is another, beside that."""
    octets, free, number = file.read_bytes(), to, 1
    to.parent.mkdir(parents=True, exist_ok=True, mode=0o750)
    while free.exists() or free.is_symlink():
        if free.is_file() and free.read_bytes() == octets:
            return
        free = to.with_name(f"{to.name}.restored" + (f"-{number}" if number > 1 else ""))
        number += 1
    half = free.with_name(f"{free.name}.part")
    try:
        half.write_bytes(octets)
        half.rename(free)
    except OSError as error:
        half.unlink(missing_ok=True)
        raise NotKept(f"{free} cannot be written, and nothing was replaced: {error.strerror}") from error


def secrets_of(file: Path, passphrase: str) -> bytes:
    """The secrets of a file; raises NotKept for a wrong passphrase, and where there are none."""
    closed = secrets_in(file)
    if closed is None:
        raise NotKept(f"{file} holds no secrets")
    salt, nonce = closed[:_SALT_OCTETS], closed[_SALT_OCTETS : _SALT_OCTETS + _NONCE_OCTETS]
    try:
        return AESGCM(_key(passphrase, salt)).decrypt(nonce, closed[_SALT_OCTETS + _NONCE_OCTETS :], SECRETS.encode())
    except (InvalidTag, ValueError):  # or it is too short to be any
        raise NotKept(f"the passphrase does not open the secrets of {file}") from None


def _encrypted(octets: bytes, passphrase: str) -> bytes:
    if len(passphrase) < LEAST_PASSPHRASE:
        raise NotKept(f"a passphrase has at least {LEAST_PASSPHRASE} characters; nothing was written")
    salt, nonce = os.urandom(_SALT_OCTETS), os.urandom(_NONCE_OCTETS)
    return salt + nonce + AESGCM(_key(passphrase, salt)).encrypt(nonce, octets, SECRETS.encode())


def _key(passphrase: str, salt: bytes) -> bytes:
    return Scrypt(salt=salt, **_SCRYPT).derive(passphrase.encode())
