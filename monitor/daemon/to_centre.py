"""Reporting to a centre: wired together from the settings, beside everything else, and in the way of nothing."""

import asyncio
import logging
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.daemon.clock import Clock
from monitor.daemon.desk import Desk
from monitor.daemon.ending import end
from monitor.daemon.keeper import Keeper
from monitor.daemon.reporting import SiteOutbox
from monitor.daemon.secrets import Secrets, reports_as
from monitor.daemon.version import own_version
from monitor.facts.words import say
from monitor.history.store import NotKept
from monitor.plan.text import NotRight, Problem

if TYPE_CHECKING:
    from monitor.centre.reporter import Reporter

log = logging.getLogger(__name__)

ALIVE_S, METERED_ALIVE_S = 60.0, 900.0
"""A site that has nothing to say says so this often."""
LONG_S = 3600.0
"""A rural line is away for minutes every day; an hour is worth a word in the morning letter."""


@dataclass(frozen=True, slots=True)
class Centre:
    """Where a centre's router is; ``metered``: send whole days only, and alarms at once."""

    url: str
    authority: str | None = None
    metered: bool = False


def plan_texts(plan_file: Path) -> dict[str, Any]:
    """The plan and the owner's own datasheets and languages beside it, as they lie there."""
    beside = [
        *sorted((plan_file.parent / "datasheets").glob("*.yaml")),
        *sorted((plan_file.parent / "languages").glob("*.po")),
    ]
    return {
        "plan": plan_file.read_text(encoding="utf-8"),
        "beside": {f"{one.parent.name}/{one.name}": one.read_text(encoding="utf-8") for one in beside},
    }


class ToCentre:
    """The one task that reports, from the first season to the end; none where there is no centre."""

    def __init__(self, centre: Centre | None, secrets: Secrets, clock: Clock, desk: Desk) -> None:
        """Raises NotRight where there is no entry to report as, or what it needs is not installed."""
        self._centre, self._clock, self._desk = centre, clock, desk
        self._news = asyncio.Event()
        self._plan: dict[str, Any] = {}
        self._began_s = clock.monotonic_s()
        self._reporter: Reporter | None = None
        self._outbox: SiteOutbox | None = None
        self._task: asyncio.Task[None] | None = None
        self._waiting: dict[str, int | None] | None = None
        if centre is not None:
            self._new_reporter = _prepared(centre, secrets, clock, self._news)
            desk.listen(self._news)

    def planned(self, plan_file: Path) -> None:
        """This plan is in force from now on."""
        self._plan = plan_texts(plan_file) if self._centre else {}

    def begin(self, keeper: Keeper) -> None:
        """Report what this keeper keeps."""
        if self._centre is not None:
            self._outbox = SiteOutbox(keeper, self._clock, self._documents, self._centre.metered)
            self._reporter = self._new_reporter(self._outbox)
            self._task = asyncio.create_task(self._run(self._reporter), name="report")

    async def _run(self, reporter: "Reporter") -> None:
        while True:
            try:
                await reporter.run()
            except Exception as error:  # whatever it is, monitoring goes on, and so does reporting
                reporter.report.trouble = repr(error)
                log.exception("reporting failed; it begins anew in a minute")
            await self._clock.sleep(60.0)

    def _documents(self) -> dict[str, Any]:
        """What a centre needs beside the history: the plan, and the last nightly judgement."""
        plan = self._desk.rounds.memory.plan
        about = {"name": plan.site.name, "timezone": plan.site.timezone, "poles": len(plan.poles)}
        coming = {**about, "ends": self._desk.ends()}
        return {"plan": self._plan, "judged": self._desk.forecasts(), "coming": coming}

    def told(self) -> dict[str, Any]:
        """How the reporting is going; nothing where there is no centre."""
        if self._centre is None:
            return {}
        report = self._reporter.report if self._reporter else None
        answered_s = report.answered_s if report else None
        return {
            "centre": self._centre.url,
            "centre_trouble": report.trouble if report else "not begun yet",
            "centre_answered_ago_s": None if answered_s is None else round(self._clock.monotonic_s() - answered_s),
            "centre_parcels": report.parcels if report else 0,
            "centre_octets": report.octets if report else 0,
            "centre_waiting": self._waiting,
        }

    async def count(self) -> None:
        """See how much waits for the centre; raises NotKept."""
        if self._outbox is not None and self._reporter is not None:
            found = await self._outbox.waiting(self._reporter.report.up_to or None)
            since_s = found.rounds_since_s
            behind_s = None if since_s is None else round(max(0.0, self._clock.wall_s() - since_s))
            self._waiting = {"changes": found.changes, "rounds_behind_s": behind_s, "days": found.days}

    def silent_for_long(self) -> str:
        """Why the centre has not been told for an hour; empty where it has."""
        report = self._reporter.report if self._reporter else None
        if report is None or not report.trouble:
            return ""
        since_s = self._began_s if report.answered_s is None else report.answered_s
        silent_s = self._clock.monotonic_s() - since_s
        if silent_s < LONG_S:
            return ""
        words = "the centre has not answered for {hours:.0f} h: {why}"
        return say(words, hours=silent_s / 3600, why=report.trouble)

    async def end(self) -> None:
        """Stop, and write down what has arrived."""
        if self._task is not None:
            await end([self._task])
        if self._outbox is not None:
            with suppress(NotKept):  # the centre knows it anyway
                await self._outbox.write()


def _prepared(
    centre: Centre, secrets: Secrets, clock: Clock, news: asyncio.Event
) -> "Callable[[SiteOutbox], Reporter]":
    """Makes the reporter, once its outbox is there; raises NotRight."""
    who = reports_as(secrets)
    if who is None:
        raise _wrong(centre.url, "the secrets have no entry of kind 'report'; farpole centre --add-site makes one")
    try:
        from monitor.centre import keys
        from monitor.centre.line import Line, Router
        from monitor.centre.reporter import Identity, Reporter
        from monitor.centre.router import inbox_of
    except ImportError as error:
        raise _wrong(centre.url, f"{error.name} is not installed: sh deploy/install --with report") from None
    seed = who.seed.get_secret_value()
    try:
        me = Identity(who.site, keys.signer(seed), keys.verifier(who.centre), own_version())
    except keys.NoKey as error:
        raise _wrong(centre.url, f"the secrets' entry of kind 'report': {error}") from None
    router = Router(centre.url, seed, inbox_of(who.site), centre.authority)
    alive_s = METERED_ALIVE_S if centre.metered else ALIVE_S

    def made(outbox: SiteOutbox) -> Reporter:
        return Reporter(me, outbox, lambda: Line(router), clock.monotonic_s, clock.sleep, alive_s, news)

    return made


def _wrong(url: str, words: str) -> NotRight:
    return NotRight([Problem(1, f"--report-to {url}", words, "farpole run")])
