"""Arguments of the command ``farpole``, and its exit status.

0 done, 1 the answer is no or it failed, 2 bad input, 3 no daemon to act or to ask.
"""

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path

from monitor.cli import arguments
from monitor.cli.arguments import common
from monitor.cli.printed import printed

OK, FAILED, BAD_INPUT, NO_DAEMON = 0, 1, 2, 3


def data_directory() -> Path:
    """``$XDG_STATE_HOME/farpole``, which is below the home directory unless the variable says otherwise."""
    home = os.environ.get("XDG_STATE_HOME") or str(Path.home() / ".local" / "state")
    return Path(home) / "farpole"


def parser() -> argparse.ArgumentParser:
    """All commands with their options."""
    whole = argparse.ArgumentParser(
        prog="farpole",
        description="Watches the margins of remote PoE fibre poles and says why one drops.",
        epilog="Exit status: 0 done, 1 the answer is no or it failed, 2 bad input, 3 no daemon to act or to ask.",
    )
    whole.add_argument("--version", action="store_true", help="print the version and exit")
    commands = whole.add_subparsers(dest="command", metavar="COMMAND")
    _add_plan_commands(commands)
    _add_running(commands)
    _add_asking(commands)
    arguments.add_files(commands)
    arguments.add_forecast(commands)
    arguments.add_note(commands)
    arguments.add_cycle(commands)
    arguments.add_drill(commands)
    arguments.add_review(commands)
    arguments.add_turnup(commands)
    arguments.add_centre(commands)
    return whole


def _add_plan_commands(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    budget = commands.add_parser(
        "budget",
        help="print the budgets of a plan, itemised",
        description="Print the budgets of a plan, itemised, each value with its source.",
    )
    budget.add_argument("plan", type=Path, help="the plan (a YAML file)")
    budget.add_argument("--json", action="store_true", help="print one JSON document")
    budget.add_argument("--html", type=Path, metavar="FILE", help="write a printable page instead, with drawings")
    budget.set_defaults(room="monitor.cli.budget")
    init = commands.add_parser(
        "init",
        help="write a first plan from a few questions",
        description="Ask a few questions and write a commented plan.",
    )
    init.add_argument("file", type=Path, nargs="?", help="the plan to write; one that is there is not overwritten")
    init.add_argument(
        "--log-in", metavar="NAME", help="instead: ask for a password, and print a person's entry for the secrets"
    )
    init.add_argument(
        "--token", metavar="NAME", help="instead: make a token, and print a program's entry for the secrets"
    )
    init.add_argument("--role", choices=("viewer", "operator"), default="viewer", help="what that entry allows")
    init.set_defaults(room="monitor.cli.init")
    fits = commands.add_parser(
        "fits",
        help="would one more load fit at a pole?",
        description="Say whether one more load would fit at a pole: each budget's margin before and after, by the "
        "plan, and by live readings where a farpole runs here.",
    )
    fits.add_argument("load", metavar="LOAD", help="a kind of load, as in config/datasheets/loads.yaml")
    fits.add_argument("--at", required=True, metavar="POLE", help="the pole")
    fits.add_argument("--cable-m", type=float, default=15.0, help="metres of Ethernet cable (default: 15)")
    fits.add_argument("--plan", type=Path, help="a plan to answer from (default: that of the running farpole)")
    fits.add_argument("--data", type=Path, help="data directory of the daemon")
    fits.add_argument("--json", action="store_true", help="print one JSON document")
    fits.set_defaults(room="monitor.cli.fits")


def _add_running(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    run = commands.add_parser("run", help="run the daemon", description="Run the daemon in the foreground.")
    run.add_argument("--plan", type=Path, required=True, help="the plan (a YAML file)")
    run.add_argument("--data", type=Path, default=None, help="data directory (default: $XDG_STATE_HOME/farpole)")
    run.add_argument(
        "--secrets",
        type=Path,
        default=None,
        help="secrets file, mode 0600 (default: secrets.yaml beside the plan, if there is one)",
    )
    run.add_argument(
        "--page",
        default="127.0.0.1:8460",
        metavar="ADDRESS:PORT",
        help="where the page is served; 'off' for no page (default: 127.0.0.1:8460). Any other address than "
        "this machine's own needs passwords in the secrets, and TLS",
    )
    run.add_argument("--certificate", type=Path, metavar="FILE", help="the page's certificate (PEM, whole chain)")
    run.add_argument("--key", type=Path, metavar="FILE", help="the certificate's private key (PEM)")
    run.add_argument(
        "--tls-proxy",
        default="",
        metavar="ADDRESS",
        help="address of a proxy that ends TLS before the page; from nowhere else anything is taken then",
    )
    run.add_argument(
        "--history-gb",
        type=float,
        default=None,
        metavar="GB",
        help="what the history may take on the disk; then the oldest single readings go, never alarms, baselines "
        "or daily figures (default: half of the disk)",
    )
    run.add_argument(
        "--history",
        default=None,
        metavar="URL",
        help="keep the history in PostgreSQL (postgresql+psycopg://USER@HOST/NAME) instead of a file of its own",
    )
    arguments.add_sharing(run)
    arguments.add_reporting(run)
    run.set_defaults(room="monitor.cli.run")
    demo = commands.add_parser(
        "demo",
        help="run a simulated site and the daemon on it",
        description="Run the simulated site Tarrow Downs and the daemon on it. A pole drops "
        "after about 30 s and comes back.",
    )
    demo.add_argument("--headless", action="store_true", help="no page; print what happens")
    demo.add_argument("--until-callout", action="store_true", help="stop as soon as the drop has been called out")
    demo.add_argument("--json", action="store_true", help="print one JSON document at the end")
    demo.add_argument("--seed", type=int, default=1, help="seed of the simulated site (default: 1)")
    demo.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="NAME@POLE",
        help="break this instead of what the story says; may be given more than once",
    )
    demo.add_argument(
        "--speed", type=float, default=1.0, help="play the story so many times as fast; rounds keep their pace"
    )
    demo.add_argument(
        "--campaign", type=int, metavar="N", help="write N labelled cases of faults instead (readings, what was wrong)"
    )
    demo.add_argument("--poles", type=int, help="poles of the campaign's site (default: as Tarrow Downs has)")
    demo.add_argument("--out", type=Path, metavar="FOLDER", help="where the campaign is written")
    demo.add_argument("--list-faults", action="store_true", help="print the faults that can be named, and exit")
    demo.add_argument(
        "--page",
        default="127.0.0.1:8460",
        metavar="ADDRESS:PORT",
        help="where the page is served (default: 127.0.0.1:8460)",
    )
    demo.set_defaults(room="monitor.cli.demo")


def _add_asking(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    status = commands.add_parser(
        "status",
        help="how the site stands now",
        description="Print how the site stands now. Where no daemon runs: what its history holds, and exit status 3.",
    )
    status.add_argument("--self", action="store_true", dest="itself", help="how farpole itself is doing")
    common(status)
    why = commands.add_parser(
        "why",
        help="why a place is in alarm, and what to take along",
        description="Print why a place is in alarm, and what to take along. With --causes: every cause that may "
        "explain the first alarm that stands there, and what is past. With --evidence: the causes behind a file of "
        "observables (U, rxH, I, ag ... as DEVELOPERS.md lists them; null: not known), without a daemon.",
    )
    why.add_argument("place", nargs="?", help="a pole, the head-end, or supply/NAME")
    why.add_argument(
        "--causes", action="store_true", help="every cause that may explain the first alarm there, by probability"
    )
    why.add_argument("--evidence", type=Path, metavar="FILE", help="a JSON file of observables instead of a place")
    common(why)
    why.set_defaults(room="monitor.cli.why")
    _add_ask(commands)
    _add_survey(commands)
    words = "print the alarms, or act on one"
    alarms = commands.add_parser("alarms", help=words, description="Print the alarms, or act on one of them.")
    alarms.add_argument(
        "act", nargs="?", choices=("ack", "close", "shelve", "unshelve"), help="what to do with an alarm"
    )
    alarms.add_argument(
        "resource", nargs="?", help="the alarm's resource, as printed; for shelving also a whole pole or supply"
    )
    alarms.add_argument("type", nargs="?", help="the alarm's type, as printed")
    alarms.add_argument("--qualifier", default="", help="the alarm's qualifier, where one is printed")
    alarms.add_argument("--until", default="", metavar="TIME", help="shelve so long: 17:00, 6h, 3d, ISO 8601")
    alarms.add_argument("--note", default="", help="a note to keep with the act")
    common(alarms)


def _add_ask(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    ask = commands.add_parser(
        "ask",
        help="everything that one device can tell over SNMP",
        description="Ask one device for everything that it has over SNMP, and print it decoded: value, unit, source. "
        "Every object appears once: known, kept raw, or garbled with the reason.",
    )
    ask.add_argument("address", nargs="?", metavar="ADDRESS[:PORT]", help="the device; IPv6 as [ADDRESS]:PORT")
    ask.add_argument("--community", help="ask by SNMP v2c with this community")
    ask.add_argument("--v1", action="store_true", help="ask by SNMP v1 instead of v2c")
    ask.add_argument("--credentials", metavar="NAME", help="ask with this entry of the secrets file")
    ask.add_argument("--secrets", type=Path, metavar="FILE", help="the secrets file, mode 0600")
    ask.add_argument("--datasheet", metavar="NAME", help="decode private columns by this datasheet")
    ask.add_argument("--plan", type=Path, help="a plan whose datasheets/ folder is read too")
    ask.add_argument("--record", type=Path, metavar="FILE", help="keep the raw answers")
    ask.add_argument("--replay", type=Path, metavar="FILE", help="decode a recording instead of asking a device")
    ask.add_argument("--draft", type=Path, metavar="FILE", help="write a datasheet to be finished by hand")
    ask.add_argument("--all", action="store_true", help="print every row of every table")
    ask.add_argument("--json", action="store_true", help="print one JSON document")
    ask.set_defaults(room="monitor.cli.ask")


def _add_survey(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    survey = commands.add_parser(
        "survey",
        help="what is on the network, beside the plan",
        description="Find what is on the network and print it beside the plan: through the switches' own tables, by an "
        "ARP sweep and LLDP (as root or with the installed helper), and by multicast questions. It says what it will "
        "send before it sends, and stays inside the plan's subnets. Exit status 1 where something is not as planned.",
    )
    survey.add_argument("--plan", type=Path, required=True, help="the plan (a YAML file)")
    survey.add_argument("--secrets", type=Path, metavar="FILE", help="the secrets file (default: beside the plan)")
    survey.add_argument("--interface", metavar="NAME", help="only on this interface")
    survey.add_argument(
        "--listen-s", type=float, default=31.0, metavar="SECONDS", help="listen for LLDP so long (default: 31)"
    )
    survey.add_argument("--no-sweep", action="store_true", help="only ask the switches")
    survey.add_argument("--yes", action="store_true", help="do not ask before sending")
    survey.add_argument("--write-plan", type=Path, metavar="FILE", help="write the plan with the findings filled in")
    survey.add_argument("--json", action="store_true", help="print one JSON document")
    survey.set_defaults(room="monitor.cli.survey")


@printed()
def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; returns the exit status."""
    whole = parser()
    given = whole.parse_args(arguments)
    if given.version:
        from monitor.daemon.version import own_version

        print(f"farpole {own_version()}")
        return OK
    if given.command is None:
        whole.print_help()
        return BAD_INPUT
    try:
        status: int = import_module(given.room).main(given)
    except BrokenPipeError:
        # Whoever read our output has gone; closing stdout again must not complain either.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FAILED
    return status
