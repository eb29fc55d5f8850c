"""``farpole centre``: run a centre of many sites, and let sites in."""

import asyncio
import json
import os
import sys
from argparse import Namespace
from datetime import UTC, datetime
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.cli.main import BAD_INPUT, FAILED, OK
from monitor.daemon.logs import log_to_stderr
from monitor.history.trouble import NotKept
from monitor.plan.text import NotRight

if TYPE_CHECKING:
    from monitor.history.central import Central


def main(given: Namespace) -> int:
    """Run a centre, or carry out one act."""
    missing = [name for name in ("nats", "nkeys", "psycopg") if find_spec(name) is None]
    if missing:
        print(f"farpole: {', '.join(missing)} not installed: sh deploy/install --with centre", file=sys.stderr)
        return FAILED
    from monitor.daemon.sockets import CannotStart

    try:
        if given.new_key:
            return _new_key()
        if given.history is None:
            raise ValueError("--history says in which PostgreSQL the sites are kept")
        if given.add_site or given.shut_out or given.router_users or given.sites:
            return _act(given)
        return _run(given)
    except NotRight as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    except ValueError as error:
        print(f"farpole: {error}", file=sys.stderr)
        return BAD_INPUT
    except (CannotStart, NotKept) as error:
        print(f"farpole: {error}", file=sys.stderr)
        return FAILED


def _new_key() -> int:
    from monitor.centre.keys import new_seed

    print("# into the centre's secrets file (mode 0600), below 'secrets:'")
    print(f"  centre: {{kind: centre, seed: {new_seed()}}}")
    return OK


def _seed(given: Namespace) -> str:
    from monitor.daemon.centre import seed_of
    from monitor.daemon.secrets import load_secrets

    return seed_of(load_secrets(given.secrets, os.environ, []))


def _act(given: Namespace) -> int:
    from monitor.centre.keys import new_seed, public_of
    from monitor.centre.router import configuration
    from monitor.daemon.clock import SystemClock
    from monitor.daemon.secrets import a_site_name
    from monitor.history.central import Central

    central = Central(given.history)
    try:
        if given.add_site:
            name, seed = a_site_name(given.add_site), new_seed()
            centre = public_of(_seed(given))
            new = central.add(name, public_of(seed), SystemClock().wall_s())
            print(f"# {'a new site' if new else 'another key for a known site'}; shown this once")
            print("# into the secrets file of that site (mode 0600), below 'secrets:'")
            print(f"  report: {{kind: report, site: {name}, seed: {seed}, centre: {centre}}}")
            print("# then give the router its users again: farpole centre --router-users", file=sys.stderr)
        elif given.shut_out:
            if not central.shut_out(given.shut_out):
                raise ValueError(f"this centre knows no site {given.shut_out!r}")
            print(f"{given.shut_out}: nothing more is taken of it; what it has sent stays")
        elif given.router_users:
            known = [(one.name, one.key) for one in central.sites() if one.key]
            print(configuration(public_of(_seed(given)), known), end="")
        else:
            _list(central, given.json)
    finally:
        central.close()
    return OK


def _list(central: "Central", as_json: bool) -> None:
    sites = central.sites()
    if as_json:
        rows = [{"site": s.name, "heard_s": s.heard_s, "let_in": bool(s.key), "parcels": s.number} for s in sites]
        print(json.dumps(rows))
        return
    for one in sites:
        heard = "never heard"
        if one.heard_s is not None:
            heard = f"last heard {datetime.fromtimestamp(one.heard_s, UTC):%F %T} UTC"
        print(f"{one.name}: {heard}{'' if one.key else '; shut out'}")


def _run(given: Namespace) -> int:
    from monitor.daemon.centre import Centre, CentreSettings
    from monitor.daemon.page import page_of

    log_to_stderr()
    if given.router is None:
        raise ValueError("--router says where the NATS router is: nats://127.0.0.1:4222")
    page = None if given.ingest_only else page_of(given.page, given.certificate, given.key, given.tls_proxy)
    secrets: Path | None = given.secrets
    settings = CentreSettings(
        given.history,
        given.router,
        secrets,
        given.router_authority,
        page,
        given.at_once,
        tuple(given.tell),
        given.timezone,
    )
    asyncio.run(Centre(settings).run())
    return OK
