"""``farpole review``: a month or a year from the history, as words, HTML, PDF, CSV or JSON; no daemon is needed."""

import json
import os
import sys
from argparse import Namespace
from collections.abc import Callable
from datetime import datetime, timedelta, tzinfo
from pathlib import Path

from monitor.cli.main import BAD_INPUT, FAILED, NO_DAEMON, OK, data_directory
from monitor.daemon.clock import SystemClock
from monitor.daemon.design import Design
from monitor.daemon.files import load_plan
from monitor.daemon.lock import HISTORY
from monitor.daemon.months import months_of
from monitor.daemon.reviewing import Reviewing
from monitor.daemon.tongues import load_tongues
from monitor.facts.words import Tongue
from monitor.history.store import NotKept, Store
from monitor.plan.text import NotRight
from monitor.show.month import Month
from monitor.show.paper import Lacking
from monitor.show.review_page import paper, sharpened, year_paper
from monitor.show.year import Year, as_csv


def main(given: Namespace) -> int:
    """Write a month's review, or a year's."""
    data = given.data or data_directory()
    where = os.environ.get("FARPOLE_HISTORY") or data / HISTORY
    if isinstance(where, Path) and not where.exists():
        print(f"farpole: there is no history in {data}", file=sys.stderr)
        return NO_DAEMON
    try:
        plan, sheets = load_plan(given.plan)
        design = Design.of(plan, sheets, load_tongues(given.plan))
        now_s = SystemClock().wall_s()
        wanted = (
            months_of(given.year, design.zone, now_s)
            if given.year
            else [given.month or _last_month(now_s, design.zone)]
        )
        with Store(where, read_only=True) as store:
            months = tuple(Reviewing(store, design, month, now_s).month() for month in wanted)
        return _write(months, given, design.tongue_of(""))
    except (NotRight, ValueError) as error:
        print(f"farpole: {error}", file=sys.stderr)
        return BAD_INPUT
    except (NotKept, Lacking, OSError) as error:
        print(f"farpole: {error}", file=sys.stderr)
        return FAILED


def _write(months: tuple[Month, ...], given: Namespace, tongue: Tongue) -> int:
    year = Year(given.year, months) if given.year else None
    whole = year if year is not None else months[0]
    if given.json:
        print(json.dumps(whole.json(), ensure_ascii=False, indent=1))
        return OK
    for out in given.out:
        _ways(months, year, tongue)[out.suffix](out) if out.suffix in WAYS else _unknown(out)
        print(f"{out}: {whole.site}")
    if not given.out:
        print(words(months[0]) if year is None else year.headline)
    return OK


WAYS = (".html", ".pdf", ".csv")


def _unknown(out: Path) -> None:
    raise ValueError(f"{out}: write FILE with one of {', '.join(WAYS)}")


def _ways(months: tuple[Month, ...], year: Year | None, tongue: Tongue) -> dict[str, Callable[[Path], object]]:
    """How each kind of file is written."""

    def html(out: Path) -> None:
        text = year_paper(year, tongue) if year is not None else paper(sharpened(months[0], tongue), tongue)
        out.write_text(text, encoding="utf-8")

    def portable(out: Path) -> None:
        from monitor.show.review_pdf import pdf, year_pdf  # typst is heavy, and an extra

        made = year_pdf(year, tongue) if year is not None else pdf(sharpened(months[0], tongue), tongue)
        out.write_bytes(made)

    return {".html": html, ".pdf": portable, ".csv": lambda out: out.write_text(as_csv(months), encoding="utf-8")}


def _last_month(now_s: float, zone: tzinfo) -> str:
    today = datetime.fromtimestamp(now_s, zone).date()
    return (today.replace(day=1) - timedelta(days=1)).strftime("%Y-%m")


def words(month: Month) -> str:
    """The first page as plain text."""
    lines = [f"{month.site}, {month.month}", "", month.headline, ""]
    for i, visit in enumerate(month.visits, 1):
        lines += [f"{i}. {visit.pole}", *(f"   {line}" for line in visit.why)]
        lines += [f"   check first: {visit.look_first}"] if visit.look_first else []
        lines += [f"   take along: {', '.join(visit.bring)}", *(f"   caution: {line}" for line in visit.cautions)]
    lines += ["", "answered:"]
    for one in month.available:
        lines.append(f"  {one.pole}: " + ("not asked" if one.percent is None else f"{one.percent:.2f} %"))
    quiet = sum(s.steady for s in month.series)
    lines += ["", f"{quiet} series stand as at their baseline; {month.alarms.raised} alarms were raised"]
    lines += [month.too_young] if month.too_young else []
    lines += [f"not measured: {line}" for line in month.not_measured]
    return "\n".join(lines)
