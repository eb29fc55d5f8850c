"""``farpole turnup``: measures a pole, compares it with its budgets, and prints the sheet to sign."""

import json
import sys
import time
from argparse import Namespace
from pathlib import Path
from typing import Any

from monitor.cli.client import NoDaemon, SaidNo, call
from monitor.cli.main import BAD_INPUT, FAILED, NO_DAEMON, OK, data_directory

LOOK_EACH_S = 2.0


def main(given: Namespace) -> int:
    """Measure, unless the last sheet is wanted; print it."""
    data = given.data or data_directory()
    if given.out is not None and given.out.suffix not in (".html", ".pdf"):
        print(f"farpole: {given.out}: write FILE.html or FILE.pdf", file=sys.stderr)
        return BAD_INPUT
    try:
        if not given.last:
            _measure(data, given)
        return _write(call(data, f"/turnup/{given.pole}"), given)
    except NoDaemon as none:
        print(f"farpole: {none}; a turn-up needs a running farpole", file=sys.stderr)
        return NO_DAEMON
    except SaidNo as no:
        print(f"farpole: {no}", file=sys.stderr)
        return FAILED
    except KeyboardInterrupt:
        print("\nfarpole: the measuring goes on; print its sheet later with --last", file=sys.stderr)
        return FAILED


def _measure(data: Path, given: Namespace) -> None:
    """Measure by day; what is to be measured after dusk goes on without us. Raises SaidNo."""
    body = {"pole": given.pole, "who": given.by or "", "minutes": given.minutes}
    call(data, "/turnup", {**body, "after_dusk": given.after_dusk})
    print(f"measuring {given.pole} for {given.minutes:g} min ...", file=sys.stderr, flush=True)
    while (now := call(data, "/turnup"))["doing"] == "measuring":
        time.sleep(LOOK_EACH_S)
    if now["doing"] == "failed":
        raise SaidNo(now["why"])
    if now["doing"] == "waiting for dusk":
        print("after dusk it is measured again; print the whole sheet then with --last", file=sys.stderr)


def _write(told: Any, given: Namespace) -> int:
    if given.json:
        print(
            json.dumps({name: one for name, one in told.items() if name not in ("html", "words")}, ensure_ascii=False)
        )
    elif given.out is None:
        print(told["words"])
    elif given.out.suffix == ".html":
        given.out.write_text(told["html"], encoding="utf-8")
    else:
        from monitor.show.paper import Lacking  # typst is heavy, and an extra
        from monitor.show.turnup import from_json
        from monitor.show.turnup_pdf import sheet_pdf

        try:
            given.out.write_bytes(sheet_pdf(from_json(told)))
        except Lacking as error:
            print(f"farpole: {error}", file=sys.stderr)
            return FAILED
    for line in told["outside"]:
        print(f"outside: {line}", file=sys.stderr)
    return FAILED if told["outside"] else OK
