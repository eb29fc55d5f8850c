"""``farpole review``: the month from the history, as words, HTML, PDF or JSON; a running farpole is not needed."""

import json
import sys
from argparse import Namespace
from datetime import datetime, timedelta, tzinfo

from monitor.cli.main import BAD_INPUT, FAILED, NO_DAEMON, OK, data_directory
from monitor.daemon.clock import SystemClock
from monitor.daemon.design import Design
from monitor.daemon.files import load_plan
from monitor.daemon.lock import HISTORY
from monitor.daemon.reviewing import Reviewing
from monitor.history.store import NotKept, Store
from monitor.plan.text import NotRight
from monitor.show.month import Month
from monitor.show.review_page import paper


def main(given: Namespace) -> int:
    """Write one month's review."""
    data = given.data or data_directory()
    if not (data / HISTORY).exists():
        print(f"farpole: there is no history in {data}", file=sys.stderr)
        return NO_DAEMON
    try:
        plan, sheets = load_plan(given.plan)
        design = Design.of(plan, sheets)
        now_s = SystemClock().wall_s()
        with Store(data / HISTORY, read_only=True) as store:
            month = Reviewing(store, design, given.month or _last_month(now_s, design.zone), now_s).month()
    except (NotRight, ValueError) as error:
        print(f"farpole: {error}", file=sys.stderr)
        return BAD_INPUT
    except NotKept as error:
        print(f"farpole: the history cannot be read: {error}", file=sys.stderr)
        return FAILED
    return _write(month, given)


def _write(month: Month, given: Namespace) -> int:
    if given.json:
        print(json.dumps(month.json(), ensure_ascii=False, indent=1))
        return OK
    if given.out is None:
        print(words(month))
        return OK
    if given.out.suffix == ".pdf":
        from monitor.show.paper import Lacking
        from monitor.show.review_pdf import pdf  # typst is heavy, and an extra

        try:
            given.out.write_bytes(pdf(month))
        except Lacking as error:
            print(f"farpole: {error}", file=sys.stderr)
            return FAILED
    else:
        given.out.write_text(paper(month), encoding="utf-8")
    print(f"{given.out}: {month.site}, {month.month}")
    return OK


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
    quiet = sum(s.left == "no end in sight" for s in month.series)
    lines += ["", f"{quiet} series stand as at their baseline; {month.alarms.raised} alarms were raised"]
    lines += [f"not measured: {line}" for line in month.not_measured]
    return "\n".join(lines)
