"""Backups that a hostile or an unlucky hand has made: refused in one line, before anything of the old is touched.

Archives are made with the standard library's tarfile, headers as in POSIX.1-2017 (pax, "ustar Interchange Format").
"""

import hashlib
import io
import json
import os
import resource
import shutil
import sqlite3
import subprocess
import sys
import tarfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from monitor.alarms.book import Book, Condition, Key, step
from monitor.alarms.states import Severity
from monitor.daemon import packing
from monitor.daemon.lock import HISTORY
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history import restoring
from monitor.history.records import Repair
from monitor.history.store import NotKept, Store

VOLTS = Slot("creek/switch", "input_volts")


def lived(history: Path, words: str) -> None:
    history.parent.mkdir(exist_ok=True)
    with Store(history) as store:
        one = Round.blank(Layout("creek/switch", "measure", (VOLTS,)), 1000.0, State.SILENT)
        one.put(0, 50.0)
        store.keep([one])
        store.repaired(Repair(1000.0, "creek", "jo", words))
        _, changes = step(Book(), [Condition(Key("creek", "pole-silent"), Severity.CRITICAL, "silent")], 100.0)
        store.record(changes)


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """A data directory with something to lose."""
    lived(tmp_path / "data" / HISTORY, "of the old one")
    (tmp_path / "data" / "photos").mkdir()
    (tmp_path / "data" / "photos" / "1.jpg").write_bytes(b"old")
    return tmp_path / "data"


@pytest.fixture
def history(tmp_path: Path) -> Path:
    """The history of a backup."""
    made = tmp_path / "made" / HISTORY
    lived(made, "of the backup")
    return made


def what_is_there(folder: Path) -> dict[str, bytes]:
    return {str(f.relative_to(folder)): f.read_bytes() for f in sorted(folder.rglob("*")) if f.is_file()}


def manifest(members: dict[str, bytes]) -> bytes:
    hashes = {name: hashlib.sha256(octets).hexdigest() for name, octets in members.items()}
    return json.dumps({"farpole": "1", "made_s": 1.0, "sha256": hashes}).encode()


def plain(name: str, octets: bytes) -> tuple[tarfile.TarInfo, bytes]:
    member = tarfile.TarInfo(name)
    member.size = len(octets)
    return member, octets


def archive(to: Path, *members: tuple[tarfile.TarInfo, bytes]) -> Path:
    with tarfile.open(to, "w") as made:
        for member, octets in members:
            made.addfile(member, io.BytesIO(octets))
    return to


def farm_of(to: Path, history: Path, *more: tuple[tarfile.TarInfo, bytes]) -> Path:
    whole = {HISTORY: history.read_bytes(), **{m.name: o for m, o in more if m.isreg()}}
    return archive(to, plain("manifest.json", manifest(whole)), plain(HISTORY, whole[HISTORY]), *more)


def refused(file: Path, old: Path, match: str) -> None:
    before = what_is_there(old)

    def restored() -> None:
        if packing.is_packed(file):
            packing.unpack(file, old, old / "restored", old / "before.sqlite")
        else:
            restoring.restore(file, old / HISTORY, old / "before.sqlite")

    with pytest.raises(NotKept, match=match) as told:
        restored()
    assert "\n" not in str(told.value)
    assert len(str(told.value)) < 600
    assert what_is_there(old) == before


def special(kind: bytes, name: str = "photos/a.jpg", link: str = "") -> tuple[tarfile.TarInfo, bytes]:
    member = tarfile.TarInfo(name)
    member.type, member.linkname = kind, link
    return member, b""


@pytest.mark.parametrize(
    ("kind", "link"),
    [
        (tarfile.SYMTYPE, "/etc/passwd"),
        (tarfile.LNKTYPE, HISTORY),
        (tarfile.CHRTYPE, ""),
        (tarfile.BLKTYPE, ""),
        (tarfile.FIFOTYPE, ""),
        (tarfile.DIRTYPE, ""),
    ],
)
def test_what_is_no_plain_file_is_refused(tmp_path: Path, old: Path, history: Path, kind: bytes, link: str) -> None:
    refused(farm_of(tmp_path / "b.tar", history, special(kind, link=link)), old, "does not belong there")


def test_a_name_twice_is_refused(tmp_path: Path, old: Path, history: Path) -> None:
    photo = plain("photos/a.jpg", b"x")
    refused(farm_of(tmp_path / "b.tar", history, photo, photo), old, "photos/a.jpg.*twice")


def test_what_the_manifest_does_not_name_is_refused(tmp_path: Path, old: Path, history: Path) -> None:
    file = farm_of(tmp_path / "b.tar", history)
    with tarfile.open(file, "a") as opened:
        member, octets = plain("photos/a.jpg", b"x")
        opened.addfile(member, io.BytesIO(octets))
    refused(file, old, "photos/a.jpg")


@pytest.mark.parametrize(
    "said",
    [
        b"",
        b"null",
        b"[]",
        b'"x"',
        b"{}",
        b'{"sha256": null}',
        b'{"sha256": []}',
        b'{"sha256": {"history.sqlite": null}}',
        b'{"sha256": {"history.sqlite": ["a"]}}',
        b'{"sha256": {"history.sqlite": "zz"}}',
        b'{"sha256": {"../x": "' + b"0" * 64 + b'"}}',
        b"[" * 100_000,
        b'{"sha256": ' * 50_000,
        b"\xff\xfe\x00",
        b'{"sha256": {"history.sqlite": NaN}}',
    ],
)
def test_a_malformed_manifest_is_one_line(tmp_path: Path, old: Path, history: Path, said: bytes) -> None:
    file = archive(tmp_path / "b.tar", plain("manifest.json", said), plain(HISTORY, history.read_bytes()))
    refused(file, old, "manifest|is not as it was written")


def limited(file: Path, old: Path) -> "subprocess.CompletedProcess[str]":
    """The command, with no more memory than 300 MB above a small start and no file larger than 50 MB."""

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (1200 * 2**20,) * 2)
        resource.setrlimit(resource.RLIMIT_FSIZE, (50 * 2**20,) * 2)

    command = [sys.executable, "-m", "monitor", "restore", str(file), "--data", str(old)]
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    return subprocess.run(command, capture_output=True, text=True, timeout=20, preexec_fn=limit, env=environment)


def head(name: bytes, kind: bytes, size: int) -> bytes:
    """A header of the ustar format."""
    made = tarfile.TarInfo(name.decode())
    made.type, made.size = kind, size
    return made.tobuf(tarfile.GNU_FORMAT)


def a_million_members(to: Path, history: Path) -> None:
    with to.open("wb") as opened:
        some = b"".join(head(b"photos/%d.jpg" % i, b"0", 0) for i in range(1000))
        for _ in range(1000):
            opened.write(some)
        opened.write(bytes(1024))


def a_long_name(to: Path, history: Path) -> None:
    """A name of 3 GB, in a file that takes no room."""
    with to.open("wb") as opened:
        opened.write(head(b"././@LongLink", b"L", 3 * 2**30))
        opened.truncate(3 * 2**30 + 4096)


def a_long_pax_header(to: Path, history: Path) -> None:
    with to.open("wb") as opened:
        opened.write(head(b"x", b"x", 3 * 2**30))
        opened.truncate(3 * 2**30 + 4096)


def a_huge_hole(to: Path, history: Path) -> None:
    """A history of 3 PB in the header, and less behind it."""
    with to.open("wb") as opened:
        opened.write(head(b"manifest.json", b"0", 2) + b"{}".ljust(512, b"\0"))
        opened.write(head(b"history.sqlite", b"0", 3 * 2**50))
        opened.truncate(2**20)


def a_bomb(to: Path, history: Path) -> None:
    """3 GB of nothing, packed."""
    if shutil.which("gzip") is None:
        pytest.skip("gzip is missing")
    with to.open("wb") as out:
        zeros = subprocess.Popen(["head", "-c", str(3 * 2**30), "/dev/zero"], stdout=subprocess.PIPE)
        subprocess.run(["gzip", "-1"], stdin=zeros.stdout, stdout=out, check=True)
        zeros.wait()


def a_packed_tar(to: Path, history: Path) -> None:
    with tarfile.open(to, "w:xz") as made:
        member = tarfile.TarInfo("photos/a.jpg")
        member.size = 60 * 2**20
        with Path("/dev/zero").open("rb") as zeros:
            made.addfile(member, zeros)


def a_sparse_member(to: Path, history: Path) -> None:
    """1 TB by the old GNU format: a type of its own, one map entry and the size it would have."""
    block = bytearray(head(b"history.sqlite", b"S", 512))
    block[386:398], block[398:410] = b"00000000000\0", b"00000001000\0"
    block[483:495] = b"\x80" + (2**40).to_bytes(11, "big")
    block[148:156] = b" " * 8
    block[148:156] = b"%06o\0 " % sum(block)
    to.write_bytes(bytes(block) + bytes(512) + bytes(1024))


def a_large_manifest(to: Path, history: Path) -> None:
    with to.open("wb") as opened:
        opened.write(head(b"manifest.json", b"0", 2**30))
        opened.truncate(2**30 + 4096)


@pytest.mark.parametrize(
    "made",
    [
        a_million_members,
        a_long_name,
        a_long_pax_header,
        a_huge_hole,
        a_bomb,
        a_packed_tar,
        a_sparse_member,
        a_large_manifest,
    ],
)
def test_bombs_are_refused_at_once(
    tmp_path: Path, old: Path, history: Path, made: Callable[[Path, Path], None]
) -> None:
    before = what_is_there(old)
    made(tmp_path / "b.tar", history)
    done = limited(tmp_path / "b.tar", old)
    assert done.returncode in (1, 2), done.stderr
    assert len(done.stderr.splitlines()) == 1, done.stderr
    assert done.stderr.startswith("farpole: ")
    assert what_is_there(old) == before | {"farpole.lock": what_is_there(old)["farpole.lock"]}


def altered(history: Path, *statements: str, unsafe: bool = False) -> None:
    with closing(sqlite3.connect(history)) as connection:
        for one in statements:
            connection.execute(one)
        connection.commit()
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


FOREIGN = [
    ("CREATE TRIGGER t AFTER INSERT ON event BEGIN DELETE FROM alarm; END",),
    ("CREATE VIEW v AS SELECT * FROM alarm",),
    ("DROP TABLE late_row", "CREATE VIEW late_row AS SELECT 1 AS id"),
    ("CREATE VIRTUAL TABLE f USING fts5(x)",),
    ("CREATE TABLE other (x)",),
    ("CREATE INDEX i ON event (kind)",),
    ("CREATE INDEX i ON event (abs(at_s))",),
    ("ALTER TABLE event ADD COLUMN more TEXT GENERATED ALWAYS AS (kind || 'x') VIRTUAL",),
    ("ALTER TABLE event ADD COLUMN more TEXT",),
    ("DROP TABLE setting", "CREATE TABLE setting (name TEXT PRIMARY KEY, value TEXT NOT NULL CHECK (value != 'x'))"),
    ("DROP TABLE lease",),
]


@pytest.mark.parametrize("statements", FOREIGN)
@pytest.mark.parametrize("bare", [True, False])
def test_foreign_parts_of_a_history_are_not_taken_over(
    tmp_path: Path, old: Path, history: Path, statements: tuple[str, ...], bare: bool
) -> None:
    altered(history, *statements)
    file = history if bare else farm_of(tmp_path / "b.tar", history)
    refused(file, old, "is no history of farpole|does not belong into a history")


WRONG = [
    "UPDATE alarm SET severity = 'terrible'",
    "UPDATE alarm SET severity = x'00ff'",
    "UPDATE alarm SET raised_s = 'yesterday'",
    "UPDATE alarm SET impacted = '{'",
    "UPDATE alarm SET impacted = '" + "[" * 50_000 + "'",
    "UPDATE alarm SET cause = '[]'",
    "UPDATE alarm SET said = '[1]'",
    "UPDATE round_row SET blob = 'text'",
    "UPDATE round_row SET blob = x'00'",
    "UPDATE layout SET series_ids = x'00'",
    "UPDATE layout SET series_ids = x'ffffffff'",
    "INSERT INTO repair (at_s, resource, who, text) VALUES ('x', 'creek', 'jo', 'y')",
    'INSERT INTO outbox (person, "to", kind, resource, type, subject, body, happened_s, not_before_s, state, '
    "attempts, last_error) VALUES ('jo', 'x', 'callout', 'creek', 'pole-silent', x'00', 'b', 1, 1, 'waiting', 0, '')",
    "INSERT INTO setting (name, value) VALUES ('standard_offset_s', 'east')",
]


@pytest.mark.parametrize("statement", WRONG)
def test_values_that_would_end_the_next_start_are_refused(old: Path, history: Path, statement: str) -> None:
    altered(history, statement)
    refused(history, old, "value|damaged")


def test_an_index_that_does_not_fit_its_table_is_found(old: Path, history: Path) -> None:
    with closing(sqlite3.connect(history)) as connection:
        for i in range(500):
            connection.execute("INSERT INTO event (at_s, kind, resource, text) VALUES (?, 'k', 'r', 't')", (i,))
        connection.commit()
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        root = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'ix_event_at_s'").fetchone()[0]
        connection.execute("PRAGMA writable_schema=ON")
        other = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'ix_repair_at_s'").fetchone()[0]
        connection.execute("UPDATE sqlite_master SET rootpage = ? WHERE name = 'ix_event_at_s'", (other,))
        connection.execute("UPDATE sqlite_master SET rootpage = ? WHERE name = 'ix_repair_at_s'", (root,))
        connection.commit()
    refused(history, old, "damaged")


@pytest.mark.parametrize("version", ["9999", "", "x'00'", "../0001"])
def test_a_newer_schema_is_refused_before_anything_is_replaced(old: Path, history: Path, version: str) -> None:
    altered(history, f"UPDATE alembic_version SET version_num = '{version.replace(chr(39), '')}'")
    refused(history, old, "newer farpole|no history of farpole")


def test_a_history_of_another_program_is_refused(tmp_path: Path, old: Path) -> None:
    other = tmp_path / "other.sqlite"
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE round_row (id INTEGER PRIMARY KEY, blob BLOB)")
        connection.commit()
    refused(other, old, "no history of farpole")
    for octets in (b"", b"SQLite format 3\0", os.urandom(3000), b"SQLite format 3\0" + os.urandom(9000)):
        other.write_bytes(octets)
        refused(other, old, "no backup of farpole|cannot be read|damaged|no history")


def test_a_damaged_history_can_be_replaced_and_is_kept_with_its_log(old: Path, history: Path) -> None:
    """When the old one is damaged is when a backup is wanted."""
    (old / HISTORY).write_bytes(b"SQLite format 3\0" + os.urandom(5000))
    (old / f"{HISTORY}-wal").write_bytes(b"of the old one")
    was = (old / HISTORY).read_bytes()
    restoring.restore(history, old / HISTORY, old / "before.sqlite")
    with Store(old / HISTORY) as store:
        assert [one.text for one in store.repairs()] == ["of the backup"]
    assert (old / "before.sqlite").read_bytes() == was
    assert (old / "before.sqlite-wal").read_bytes() == b"of the old one"


def test_what_a_killed_farpole_has_left_in_its_log_is_kept(old: Path, history: Path) -> None:
    left = "import sys, os; from pathlib import Path; from monitor.history.store import Store; "
    left += "Store(Path(sys.argv[1])).note(1.0, 'start', 'farpole', 'in the log'); os._exit(0)"
    subprocess.run([sys.executable, "-c", left, str(old / HISTORY)], check=True)
    assert (old / f"{HISTORY}-wal").stat().st_size
    restoring.restore(history, old / HISTORY, old / "before.sqlite")
    with Store(old / "before.sqlite") as store:
        assert store.notes("start") == [(1.0, "farpole", "in the log")]
    with Store(old / HISTORY) as store:
        assert store.notes("start") == []


CALLS = ("link", "rename", "replace", "fsync", "open", "write")


@pytest.mark.parametrize("fails_at", range(24))
def test_nothing_of_the_old_is_lost_wherever_it_fails(
    tmp_path: Path, old: Path, history: Path, monkeypatch: pytest.MonkeyPatch, fails_at: int
) -> None:
    """The n-th call that changes something on the disk fails as on a full one; the old history is there afterwards."""
    photo, plan = plain("photos/1.jpg", b"new"), plain("plan.yaml", b"site: {}")
    file = farm_of(tmp_path / "b.tar", history, photo, plan)
    left = fails_at

    def failing(name: str) -> Callable[..., Any]:
        real = getattr(os, name)

        def call(*given: Any, **more: Any) -> Any:
            nonlocal left
            if name != "open" or (given[1] if len(given) > 1 else 0) & (os.O_WRONLY | os.O_RDWR):
                left -= 1
                if left == -1:
                    raise OSError(28, "No space left on device")
            return real(*given, **more)

        return call

    for name in CALLS:
        monkeypatch.setattr(os, name, failing(name))
    failed = False
    try:
        packing.unpack(file, old, old / "restored", old / "before.sqlite")
    except OSError:
        failed = True
    monkeypatch.undo()
    assert (old / "photos" / "1.jpg").read_bytes() == b"old"
    with Store(old / HISTORY) as store:
        assert [one.text for one in store.repairs()] == ["of the old one" if failed else "of the backup"]
    assert (old / "before.sqlite").exists() is not failed
    if not failed:
        with Store(old / "before.sqlite") as store:
            assert [one.text for one in store.repairs()] == ["of the old one"]


def test_what_was_restored_before_is_not_overwritten_either(tmp_path: Path, old: Path, history: Path) -> None:
    for i in range(3):
        file = farm_of(tmp_path / f"{i}.tar", history, plain("photos/1.jpg", b"new %d" % i))
        packing.unpack(file, old, old / "restored", old / f"before-{i}.sqlite")
    kept = sorted(one.read_bytes() for one in (old / "photos").iterdir())
    assert kept == [b"new 0", b"new 1", b"new 2", b"old"]


def test_secrets_that_are_cut_are_one_line(tmp_path: Path, history: Path) -> None:
    file = farm_of(tmp_path / "b.tar", history, plain("secrets.encrypted", b"short"))
    with pytest.raises(NotKept, match="does not open"):
        packing.secrets_of(file, "a long road home")
