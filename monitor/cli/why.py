"""``farpole why``: the alarms of a place with their causes, live; or the causes behind a file of evidence."""

import json
import sys
from argparse import Namespace
from pathlib import Path

from monitor.alarms.cause import cause_of
from monitor.alarms.observables import Misread, read
from monitor.cli import look
from monitor.cli.client import NoDaemon, SaidNo, call
from monitor.cli.main import BAD_INPUT, FAILED, NO_DAEMON, OK, data_directory
from monitor.show.judged import cause_lines, cause_view


def main(given: Namespace) -> int:
    """Answer for a place, or for a file."""
    if given.evidence is not None:
        return _of_file(given.evidence, given.json)
    if given.place is None:
        print("farpole: name a place, or give a file of evidence: farpole why --evidence FILE.json", file=sys.stderr)
        return BAD_INPUT
    data = given.data or data_directory()
    if given.causes:
        try:
            told = call(data, f"/why/{given.place}")
        except (NoDaemon, SaidNo) as no:
            print(f"farpole: {no}", file=sys.stderr)
            return NO_DAEMON if isinstance(no, NoDaemon) else FAILED
        print(json.dumps(told, ensure_ascii=False, indent=1) if given.json else cause_lines(told))
        return OK
    return look.main(given)


def _of_file(file: Path, as_json: bool) -> int:
    try:
        evidence = json.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        print(f"farpole: {file}: {error.strerror}", file=sys.stderr)
        return BAD_INPUT
    except ValueError as error:
        print(f"farpole: {file}: not JSON: {error}", file=sys.stderr)
        return BAD_INPUT
    if not isinstance(evidence, dict):
        print(f"farpole: {file}: one object of observables is expected, {{...}}", file=sys.stderr)
        return BAD_INPUT
    try:
        signs, contexts = read(evidence)
    except Misread as error:
        print(f"farpole: {file}: {error}", file=sys.stderr)
        return BAD_INPUT
    told = cause_view(cause_of(signs, contexts))
    print(json.dumps(told, ensure_ascii=False, indent=1) if as_json else cause_lines(told))
    return OK
