"""``farpole status``, ``alarms`` and ``why``: from the running daemon, or from its history where none runs.

What comes from the history ends with NO_DAEMON too: a program that looks must see that nobody is watching.
"""

import json
import sys
from argparse import Namespace
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from monitor.alarms.book import Book
from monitor.cli.client import NoDaemon, SaidNo, call
from monitor.cli.main import BAD_INPUT, FAILED, NO_DAEMON, OK, data_directory
from monitor.show import terminal
from monitor.show.picture import alarm_view, in_order, written
from monitor.show.views import AlarmView, Picture, from_json

_ACTS = {"ack": "ack", "close": "closed"}


def main(given: Namespace) -> int:
    """Answer one question, or carry out one act."""
    data = given.data or data_directory()
    try:
        if given.command == "alarms" and given.act:
            return _act(data, given)
        if given.command == "status" and given.itself:
            return _itself(call(data, "/itself"), given)
        return _show(call(data, "/picture"), given)
    except NoDaemon as none:
        if given.command == "status" and given.itself:
            print(f"farpole: {none}", file=sys.stderr)
            return NO_DAEMON
        if given.command == "alarms" and given.act:
            print(f"farpole: {none}; acting needs a running farpole", file=sys.stderr)
            return NO_DAEMON
        return _from_history(data, given, str(none))
    except SaidNo as no:
        print(f"farpole: {no}", file=sys.stderr)
        return FAILED


def _itself(told: dict[str, Any], given: Namespace) -> int:
    print(json.dumps(told, ensure_ascii=False, indent=1) if given.json else terminal.itself(told))
    return OK


def _act(data: Path, given: Namespace) -> int:
    shelving = given.act in ("shelve", "unshelve")
    if not given.resource or not (given.type or shelving):
        print("farpole: name the alarm: farpole alarms ack RESOURCE TYPE", file=sys.stderr)
        return BAD_INPUT
    if shelving:
        body = {"resource": given.resource, "type": given.type or "", "until": given.until, "note": given.note}
        done = call(data, "/shelves" if given.act == "shelve" else "/shelves/end", body)
        what = f"{given.resource} {given.type or '(every type)'}"
        words = f"{what}: shelved{f' until {given.until}' if given.until else ''}"
        if given.act == "unshelve":
            words = f"{what}: {done['ended']} shelves taken down"
        print(json.dumps(done, ensure_ascii=False) if given.json else words)
        return OK
    body = {"resource": given.resource, "type": given.type, "qualifier": given.qualifier, "operator": _ACTS[given.act]}
    done = call(data, "/act", {**body, "note": given.note})
    print(json.dumps(done, ensure_ascii=False) if given.json else f"{given.resource} {given.type}: {done['operator']}")
    return OK


def _show(answer: dict[str, Any], given: Namespace) -> int:
    picture = from_json(answer)
    zone = ZoneInfo(picture.timezone)
    if given.command == "why" and given.place not in _places(picture):
        print(
            f"farpole: {given.place!r} is no place of {picture.site}; there are {', '.join(_places(picture))}",
            file=sys.stderr,
        )
        return BAD_INPUT
    texts: dict[str, Callable[[], str]] = {
        "status": lambda: terminal.status(picture, zone),
        "alarms": lambda: terminal.alarms(picture.alarms, zone),
        "why": lambda: terminal.why(given.place, picture.alarms, zone),
    }
    if given.json:
        print(
            json.dumps(
                answer if given.command == "status" else _concerning(answer["alarms"], given), ensure_ascii=False
            )
        )
    else:
        print(texts[given.command]())
    return OK


def _places(picture: Picture) -> list[str]:
    return [picture.headend.name, *(pole.name for pole in picture.poles), *(m.resource for m in picture.supplies)]


def _concerning(alarms: list[dict[str, Any]], given: Namespace) -> list[dict[str, Any]]:
    if given.command == "alarms":
        return alarms
    return [
        a
        for a in alarms
        if not a["cleared"] and given.place in (a["resource"], a["resource"].split("/")[0], *a["impacted"])
    ]


def _from_history(data: Path, given: Namespace, why_not: str) -> int:
    from monitor.daemon.lock import HISTORY
    from monitor.history.store import NotKept, Store
    from monitor.history.trouble import Reason

    file = data / HISTORY
    if not file.exists():
        print(f"farpole: {why_not}, and there is no history in {data}", file=sys.stderr)
        return NO_DAEMON
    try:
        store = Store(file, read_only=True)
        alarms, newest = store.alarms(), store.newest(0)
    except NotKept as error:
        print(f"farpole: {why_not}, and its history cannot be read: {error}", file=sys.stderr)
        return NO_DAEMON if error.reason is Reason.EMPTY else FAILED
    views: tuple[AlarmView, ...] = tuple(
        alarm_view(alarm) for alarm in in_order(Book({alarm.key: alarm for alarm in alarms}))
    )
    last_s = max([readings.at_s for readings in newest] + [alarm.changed_s for alarm in alarms], default=0.0)
    zone = datetime.now(UTC).astimezone().tzinfo
    assert zone is not None, "astimezone() always gives a zone"
    print(f"as of {terminal.when(last_s, zone)}; farpole is not running", file=sys.stderr)
    if given.json:
        told = [
            {name: getattr(v, name) for name in ("resource", "type", "severity", "cleared", "text", "raised_s")}
            for v in views
        ]
        past = {"running": False, "as_of_s": last_s, "poles": [], "alarms": told}
        print(json.dumps(past if given.command == "status" else told, ensure_ascii=False))
    elif given.command == "why":
        print(terminal.why(given.place, views, zone))
    else:
        print(terminal.alarms(views, zone))
    if given.command == "status" and not given.json:
        rows = [(r.resource, r.quantity, written(r)) for readings in newest for r in readings]
        print("\n".join(terminal.table(rows)))
    return NO_DAEMON
