"""``farpole note``: what somebody did at a pole, kept for good; and what has been done."""

import json
import sys
from argparse import Namespace
from datetime import UTC, datetime
from http.client import NOT_FOUND
from typing import Any

from monitor.cli.client import NoDaemon, SaidNo, call
from monitor.cli.main import BAD_INPUT, FAILED, NO_DAEMON, OK, data_directory
from monitor.show import terminal


def main(given: Namespace) -> int:
    """Keep a note, or print those that there are."""
    data = given.data or data_directory()
    try:
        if given.text is None:
            notes = [one for one in call(data, "/notes") if given.place in (None, one["resource"])]
            print(json.dumps(notes, ensure_ascii=False) if given.json else _written(notes))
            return OK
        body = {"place": given.place, "who": given.by or "", "text": given.text}
        kept = call(data, "/notes", body)
        print(json.dumps(kept, ensure_ascii=False) if given.json else f"noted at {given.place}: {given.text}")
    except NoDaemon as none:
        print(f"farpole: {none}; a note is kept by a running farpole", file=sys.stderr)
        return NO_DAEMON
    except SaidNo as no:
        print(f"farpole: {no}", file=sys.stderr)
        return BAD_INPUT if no.status == NOT_FOUND else FAILED
    return OK


def _written(notes: list[dict[str, Any]]) -> str:
    zone = datetime.now(UTC).astimezone().tzinfo
    assert zone is not None, "astimezone() always gives a zone"
    rows = [(terminal.when(one["at_s"], zone), one["resource"], one["text"], one["who"]) for one in notes]
    return "\n".join(terminal.table(rows)) if rows else "nothing has been noted yet"
