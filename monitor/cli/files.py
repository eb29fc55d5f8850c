"""``farpole export``, ``import``, ``backup`` and ``restore``: the history in and out."""

import getpass
import os
import re
import sys
from argparse import Namespace
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.cli.client import NoDaemon, SaidNo, call
from monitor.cli.main import BAD_INPUT, FAILED, OK, data_directory
from monitor.daemon import packing
from monitor.daemon.clock import SystemClock
from monitor.daemon.lock import HISTORY, held
from monitor.facts.quantities import QUANTITIES
from monitor.facts.readings import Slot
from monitor.history import backup, files, restoring
from monitor.history.store import NotKept, Store

_AGO = re.compile(r"(\d+(?:\.\d+)?)([dh])")
_AGO_S = {"d": 86_400, "h": 3_600}


def main(given: Namespace) -> int:
    """Carry out one of the four."""
    acts: dict[str, Callable[[Namespace, Path], int]] = {
        "export": _export,
        "import": _import,
        "backup": _backup,
        "restore": _restore,
    }
    data = given.data or data_directory()
    try:
        return acts[given.command](given, data)
    except ValueError as error:
        print(f"farpole: {error}", file=sys.stderr)
        return BAD_INPUT
    except NotKept as error:
        print(f"farpole: {error}", file=sys.stderr)
        return FAILED
    except BlockingIOError:
        print(f"farpole: a farpole runs on {data}; stop it first (systemctl stop farpole)", file=sys.stderr)
        return FAILED
    except OSError as error:
        print(f"farpole: {error.filename or data}: {error.strerror or error}", file=sys.stderr)
        return FAILED


def slot_of(text: str) -> Slot:
    """RESOURCE:QUANTITY as a series; raises ValueError for a quantity that there is not.

    >>> slot_of("creek/switch:input_volts")
    Slot(resource='creek/switch', quantity='input_volts')
    """
    resource, _, quantity = text.rpartition(":")
    if not resource or quantity not in QUANTITIES:
        raise ValueError(f"{text!r} is no RESOURCE:QUANTITY; 'farpole export --list' prints those that there are")
    return Slot(resource, quantity)


def moment(text: str, now_s: float, zone: tzinfo) -> float:
    """A time as UTC seconds: ISO 8601 (without an offset: in ``zone``), or an age like 30d or 12h; raises ValueError.

    >>> moment("1d", 90_000.0, UTC), moment("1970-01-02", 0.0, UTC)
    (3600.0, 86400.0)
    """
    age = _AGO.fullmatch(text)
    if age:
        return now_s - float(age[1]) * _AGO_S[age[2]]
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text!r} is no time; write 2026-07-01, 2026-07-01T18:30, or an age as 30d or 12h") from None
    return (at if at.tzinfo else at.replace(tzinfo=zone)).timestamp()


def _own_zone() -> tzinfo:
    zone = datetime.now(UTC).astimezone().tzinfo
    assert zone is not None, "astimezone() always gives a zone"
    return zone


def _there(data: Path) -> Path:
    file = data / HISTORY
    if not file.exists():
        raise NotKept(f"there is no history in {data}; name its directory by --data")
    return file


def _export(given: Namespace, data: Path) -> int:
    with Store(given.history or _there(data), read_only=True) as store:
        known = store.known()
        if given.list:
            print("\n".join(f"{slot.resource}:{slot.quantity}" for slot in known))
            return OK
        slots = [slot_of(text) for text in given.series or ()] or known
        missing = [f"{slot.resource}:{slot.quantity}" for slot in slots if slot not in known]
        if missing:
            raise ValueError(f"the history has no {', '.join(missing)}; 'farpole export --list' prints what it has")
        zone, now_s = _own_zone(), SystemClock().wall_s()
        from_s, to_s = moment(given.since, now_s, zone), moment(given.until, now_s, zone) if given.until else now_s
        if not from_s < to_s:
            raise ValueError(f"--from {given.since} is not before --to {given.until or 'now'}")
        if given.points is not None and given.points < 1:
            raise ValueError(f"--points {given.points}: at least one")
        names = files.READINGS if given.points is None else files.STRETCHES
        written = _write(files.table(store, slots, from_s, to_s, given.points), names, given)
    if given.out:
        print(f"{given.out}: {written} rows of {len(slots)} series")
    return OK


def _write(rows: Any, names: Sequence[str], given: Namespace) -> int:
    kind = given.format or ("parquet" if given.out and given.out.suffix == ".parquet" else "csv")
    if kind == "csv":
        if not given.out:
            return files.write_csv(rows, names, sys.stdout)
        with given.out.open("w", encoding="utf-8", newline="") as opened:
            return files.write_csv(rows, names, opened)
    if not given.out:
        raise ValueError("Parquet is not written to a terminal; name a file by --out")
    try:
        return files.write_parquet(rows, names, given.out)
    except ModuleNotFoundError:
        raise ValueError("Parquet needs pyarrow: sh deploy/install --with parquet, or leave it at CSV") from None


def _import(given: Namespace, data: Path) -> int:
    columns = {}
    for text in given.map:
        column, _, series = text.partition("=")
        columns[column] = slot_of(series)
    zone = _zone(given.timezone) if given.timezone else _own_zone()
    taken = files.read_csv(given.file, columns, given.time, zone)
    now = datetime.fromtimestamp(SystemClock().wall_s(), zone)
    standard_s = int(((now.utcoffset() or now - now) - (now.dst() or now - now)).total_seconds())
    with held(data), Store(given.history or data / HISTORY) as store:
        offset_s = store.standard_offset(standard_s)
        days = store.take_in(taken.series, offset_s)
    readings = sum(len(day) for day in taken.series.values())
    print(
        f"{given.file}: {taken.rows} rows read; {readings} readings of {len(taken.series)} series in {days} days kept"
    )
    for slot, day in taken.series.items():
        if not len(day):
            print(f"nothing for {slot.resource}:{slot.quantity}: its column is empty", file=sys.stderr)
    return OK


def _zone(name: str) -> tzinfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        raise ValueError(f"--timezone {name}: no such time zone; write it as Australia/Sydney") from None


def _backup(given: Namespace, data: Path) -> int:
    if given.file.exists():
        raise ValueError(f"{given.file} is there already; a backup is never written over another")
    _there(data)
    plan = given.plan or _plan_of(data)
    if plan is None:
        print("farpole: no farpole runs here, and no --plan was given: the backup holds no plan", file=sys.stderr)
    secrets = (given.secrets, getpass.getpass("Passphrase for the secrets: ")) if given.secrets else None
    made = packing.pack(data, plan, secrets, given.file, SystemClock().wall_s())
    octets = given.file.stat().st_size
    print(f"{given.file}: {octets / 1e6:.1f} MB, read again and whole: {_counted(made.history)}")
    print(f"in it: {', '.join(made.members)}")
    return OK


def _plan_of(data: Path) -> Path | None:
    """The plan of the running daemon, if one runs here."""
    try:
        return Path(call(data, "/itself")["plan"])
    except (NoDaemon, SaidNo):
        return None


def _restore(given: Namespace, data: Path) -> int:
    now = datetime.fromtimestamp(SystemClock().wall_s(), UTC)
    beside = data / f"history-before-restore-{now:%Y%m%dT%H%M%SZ}.sqlite"
    with held(data):
        there = (data / HISTORY).exists()
        if packing.is_packed(given.file):
            folder = given.plan_folder or data / "restored"
            packed = packing.unpack(given.file, data, folder, beside)
            found = packed.history
            print(f"plan, datasheets and languages: {folder}")
            if given.secrets_to:
                _restore_secrets(given)
        else:
            found = restoring.restore(given.file, data / HISTORY, beside)
    print(f"restored: {_counted(found)}")
    if there:
        print(f"what was there before is kept in {beside}")
    return OK


def _restore_secrets(given: Namespace) -> None:
    octets = packing.secrets_of(given.file, getpass.getpass("Passphrase of the secrets: "))
    with os.fdopen(os.open(given.secrets_to, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as made:
        made.write(octets)
    print(f"secrets: {given.secrets_to}")


def _counted(found: backup.Backup) -> str:
    r = found.rows
    days, waiting = r.get("day_block", 0), r.get("round_row", 0)
    alarms, changes = r.get("alarm", 0), r.get("alarm_change", 0)
    return f"{days} days of a series, {waiting} rounds not folded yet, {alarms} alarms with {changes} changes"
