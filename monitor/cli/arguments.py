"""Arguments of the commands that talk with the running daemon, and what several commands share."""

import argparse
from pathlib import Path


def common(one: argparse.ArgumentParser) -> None:
    """The data directory, JSON, and the room of commands that only look."""
    one.add_argument("--data", type=Path, default=None, help="data directory of the daemon")
    one.add_argument("--json", action="store_true", help="print one JSON document")
    one.set_defaults(room="monitor.cli.look")


def add_forecast(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """farpole forecast."""
    forecast = commands.add_parser(
        "forecast",
        help="judge any series against a limit, and say when it may be reached",
        description="Print what the last nightly judgement said of the running site: which pole to visit next, and "
        "when each margin that drifts will be used up. With --csv: judge a table of your own (columns time, value and, "
        "if you have it, temperature) against a limit: has it drifted since its baseline, in a step or slowly, and "
        "when is the limit reached? No daemon is needed for that. Exit status 1 where nothing can be said.",
    )
    forecast.add_argument("--csv", type=Path, metavar="FILE", help="a table of your own")
    forecast.add_argument("--limit", type=float, metavar="L", help="its limit, in the values' unit")
    side = forecast.add_mutually_exclusive_group()
    side.add_argument("--limit-below", action="store_true", help="the values fall to it")
    side.add_argument("--limit-above", action="store_true", help="the values rise to it")
    forecast.add_argument("--temperature", metavar="COLUMN", help="where temperatures stand under another name")
    forecast.add_argument("--baseline-until", metavar="DATE", help="what was before this day is another segment")
    forecast.add_argument("--unit", default="", help="the values' unit, for the answer")
    common(forecast)
    forecast.set_defaults(room="monitor.cli.forecast")


def add_cycle(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """farpole cycle."""
    cycle = commands.add_parser(
        "cycle",
        help="switch a camera's PoE port off and on",
        description="Switch a PoE port off and on, where the plan allows it and nothing stands against it: no pole, "
        "switch or radio behind it, no short or water on it, no planned work, at most twice a day.",
    )
    cycle.add_argument("pole", help="the pole")
    cycle.add_argument("port", help="its port")
    cycle.add_argument("--reason", required=True, help="why; it is kept")
    cycle.add_argument("--by", metavar="NAME", help="who does it, if not you; kept as: NAME (entered by YOU)")
    cycle.add_argument("--yes", action="store_true", help="do not ask before switching")
    common(cycle)
    cycle.set_defaults(room="monitor.cli.cycle")


def add_drill(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """farpole drill."""
    drill = commands.add_parser(
        "drill",
        help="walk the whole way from a silent pole to people, and time it",
        description="Take a pole that answers for silent: the alarm, its cause, the hold, the callouts to people and "
        "their answer are the real ones, and every message says that it is a drill. It ends when somebody "
        "acknowledges it. A pole that really drops meanwhile is told of as ever.",
    )
    drill.add_argument("pole", help="the pole")
    drill.add_argument("--fault", default="", help="what is supposed (default: the most frequent; a wrong name lists)")
    drill.add_argument("--minutes", type=float, default=10.0, help="how long at most (default: 10)")
    drill.add_argument("--by", metavar="NAME", help="who does it, if not you; kept as: NAME (entered by YOU)")
    drill.add_argument("--yes", action="store_true", help="do not ask before calling people")
    common(drill)
    drill.set_defaults(room="monitor.cli.drill")


def add_review(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """farpole review."""
    review = commands.add_parser(
        "review",
        help="the review of a month: which pole to visit first, and why",
        description="Write the review of a month from the history: the pole to visit first, availability, what is left "
        "of each margin, alarms, repairs, what could not be measured. A running farpole is not needed.",
    )
    review.add_argument("--plan", type=Path, required=True, help="the plan (a YAML file)")
    review.add_argument("--month", metavar="YYYY-MM", help="which month (default: the last whole one)")
    review.add_argument("--year", metavar="YYYY", help="instead: twelve months as one view")
    review.add_argument(
        "--out",
        type=Path,
        metavar="FILE",
        action="append",
        default=[],
        help="FILE.html, FILE.pdf, or FILE.csv with every figure; may be given again (default: words)",
    )
    review.add_argument("--data", type=Path, default=None, help="data directory of the daemon")
    review.add_argument("--json", action="store_true", help="print one JSON document")
    review.set_defaults(room="monitor.cli.review")


def add_turnup(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """farpole turnup."""
    turnup = commands.add_parser(
        "turnup",
        help="measure a pole, compare it with its budgets, record its baseline, print the sheet to sign",
        description="Measure a pole for some minutes, compare each item with its budget, record its baseline, and "
        "print the acceptance sheet. Nothing is refused: what is outside is named, with the reason. After a repair, do "
        "it again: the sheet shows before and after.",
    )
    turnup.add_argument("pole", help="the pole")
    turnup.add_argument("--minutes", type=float, default=3.0, help="for how long (default: 3)")
    turnup.add_argument("--after-dusk", action="store_true", help="and once more half an hour after sunset")
    turnup.add_argument("--last", action="store_true", help="measure nothing: print the last sheet")
    turnup.add_argument("--out", type=Path, metavar="FILE", help="FILE.html or FILE.pdf (default: words)")
    turnup.add_argument("--by", metavar="NAME", help="who does it, if not you; kept as: NAME (entered by YOU)")
    common(turnup)
    turnup.set_defaults(room="monitor.cli.turnup")


def add_note(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """farpole note."""
    note = commands.add_parser(
        "note",
        help="keep what you did at a pole, or print what has been done",
        description='Keep what you did at a pole: farpole note creek "cleaned the connector". The note stays for good. '
        "Without words: print the notes.",
    )
    note.add_argument("place", nargs="?", help="a pole, the head-end, or supply/NAME (default: all)")
    note.add_argument("text", nargs="?", help="what was done, in your words")
    note.add_argument("--by", metavar="NAME", help="who did it, if not you; kept as: NAME (entered by YOU)")
    common(note)
    note.set_defaults(room="monitor.cli.note")


def add_reporting(run: argparse.ArgumentParser) -> None:
    """What ``farpole run`` needs to report to a centre."""
    run.add_argument(
        "--report-to",
        default=None,
        metavar="URL",
        help="report to a centre through its NATS router (tls://HOST:4222), as the secrets' entry of kind 'report' "
        "says; nothing is lost while the line is down",
    )
    run.add_argument(
        "--report-authority", default=None, metavar="FILE", help="certificates to trust for that router (PEM)"
    )
    run.add_argument(
        "--report-days",
        action="store_true",
        help="for a line that is paid by the byte: alarms at once, readings as whole days after midnight",
    )


def add_sharing(run: argparse.ArgumentParser) -> None:
    """What ``farpole run`` needs where several processes ask one site."""
    run.add_argument(
        "--share",
        action="store_true",
        help="one of several that ask one large site together, with the same plan and the same --history; each has a "
        "--data of its own, and one of them keeps the alarm book",
    )


def add_centre(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """farpole centre."""
    centre = commands.add_parser(
        "centre",
        help="run a centre, to which many sites report",
        description="Run a centre of many sites in the foreground: take what they report through a NATS router, keep "
        "it in PostgreSQL, serve their pages. It may run several times beside itself. With one of the acts it does "
        "only that.",
    )
    centre.add_argument("--history", metavar="URL", help="the PostgreSQL (postgresql+psycopg://USER@HOST/NAME)")
    centre.add_argument("--router", metavar="URL", help="the NATS router (nats://127.0.0.1:4222, tls://HOST:4222)")
    centre.add_argument("--router-authority", metavar="FILE", help="certificates to trust for the router (PEM)")
    centre.add_argument("--secrets", type=Path, metavar="FILE", help="secrets file, mode 0600")
    centre.add_argument(
        "--page",
        default="127.0.0.1:8461",
        metavar="ADDRESS:PORT",
        help="where the pages are served (default: 127.0.0.1:8461); as for farpole run",
    )
    centre.add_argument("--certificate", type=Path, metavar="FILE", help="the pages' certificate (PEM, whole chain)")
    centre.add_argument("--key", type=Path, metavar="FILE", help="the certificate's private key (PEM)")
    centre.add_argument("--tls-proxy", default="", metavar="ADDRESS", help="address of a proxy that ends TLS")
    centre.add_argument("--ingest-only", action="store_true", help="no pages: one more process that takes parcels")
    centre.add_argument(
        "--at-once", type=int, default=4, metavar="N", help="parcels that one process keeps at once (default: 4)"
    )
    centre.add_argument(
        "--tell",
        action="append",
        default=[],
        metavar="NAME",
        help="an entry of the secrets (mail, webhook) that is told when a site falls silent; may be given again",
    )
    centre.add_argument("--timezone", default="UTC", metavar="ZONE", help="of the page of all sites (default: UTC)")
    acts = centre.add_mutually_exclusive_group()
    acts.add_argument("--new-key", action="store_true", help="make the centre's own key, and print its entry")
    acts.add_argument("--add-site", metavar="NAME", help="let a site in, and print the entry for its secrets")
    acts.add_argument("--shut-out", metavar="NAME", help="take nothing more of a site")
    acts.add_argument("--router-users", action="store_true", help="print the users for the router's configuration")
    acts.add_argument("--sites", action="store_true", help="print the sites, and when each was last heard")
    centre.add_argument("--json", action="store_true", help="print one JSON document (with --sites)")
    centre.set_defaults(room="monitor.cli.centre")


def add_files(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """farpole export, import, backup and restore."""
    export = commands.add_parser(
        "export",
        help="write readings of the history as a table",
        description="Write readings of the history as a table, while farpole runs or not: every reading, or so many "
        "equal stretches of time with minimum, mean and maximum. What was not seen is an empty cell with its state.",
    )
    export.add_argument("--list", action="store_true", help="print the series that there are, and exit")
    export.add_argument(
        "--series", action="append", metavar="RESOURCE:QUANTITY", help="only this one; may be given more than once"
    )
    export.add_argument("--from", dest="since", default="1d", metavar="TIME", help="ISO 8601, or an age as 30d, 12h")
    export.add_argument("--to", dest="until", metavar="TIME", help="the same (default: now)")
    export.add_argument("--points", type=int, metavar="N", help="so many stretches instead of every reading")
    export.add_argument("--format", choices=("csv", "parquet"), help="default: by the file's name, else csv")
    export.add_argument("--out", type=Path, metavar="FILE", help="default: standard output")
    bring = commands.add_parser(
        "import",
        help="take readings of a CSV table into the history",
        description="Take readings of a CSV table into the history, one column a series. Values that the quantity "
        "cannot have are refused with their line, and then nothing is taken. farpole must not be running.",
    )
    bring.add_argument("file", type=Path, help="the table, with a heading")
    bring.add_argument("--time", required=True, metavar="COLUMN", help="the column of times: ISO 8601 or seconds")
    bring.add_argument(
        "--map",
        action="append",
        required=True,
        metavar="COLUMN=RESOURCE:QUANTITY",
        help="what a column is; may be given more than once",
    )
    bring.add_argument("--timezone", metavar="ZONE", help="of times without an offset (default: this machine's)")
    keep = commands.add_parser(
        "backup",
        help="write the whole farm into one file",
        description="Write history, plan, datasheets and photos into one file, while farpole runs or not, and read it "
        "again from end to end.",
    )
    keep.add_argument("file", type=Path, help="the file to write; one that is there is not overwritten")
    keep.add_argument("--plan", type=Path, help="the plan (default: that of the running farpole)")
    keep.add_argument("--secrets", type=Path, metavar="FILE", help="put the secrets in as well, by a passphrase")
    back = commands.add_parser(
        "restore",
        help="put a backup back",
        description="Put a backup in the place of the history, which is kept beside it, and its plan into a folder "
        "where nothing is overwritten. farpole must not be running.",
    )
    back.add_argument("file", type=Path, help="the backup")
    back.add_argument("--plan-folder", type=Path, metavar="DIR", help="for its plan (default: restored/ of the data)")
    back.add_argument("--secrets-to", type=Path, metavar="FILE", help="its secrets, by their passphrase")
    for one in (export, bring):
        one.add_argument("--history", metavar="URL", help="a history in PostgreSQL instead of the data directory's")
    for one in (export, bring, keep, back):
        one.add_argument("--data", type=Path, default=None, help="data directory of the daemon")
        one.set_defaults(room="monitor.cli.files")
