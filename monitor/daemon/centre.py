"""The centre: ingesters behind a router, the tables of all sites, their pages; everything wired together."""

import asyncio
import contextlib
import logging
import os
import signal
from collections import OrderedDict
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from monitor.alarms.book import Alarm
from monitor.alarms.sites import Heard, is_silent
from monitor.centre.ingest import Ingester
from monitor.centre.keys import NoKey, public_of, signer, verifier
from monitor.centre.line import Line, LineDown, Router
from monitor.centre.ports import NotNow
from monitor.centre.router import CENTRE_INBOX
from monitor.daemon.centre_watch import CentreWatch
from monitor.daemon.clock import Clock, SystemClock
from monitor.daemon.descriptors import MOST_PAGE, raise_limit
from monitor.daemon.design import Design
from monitor.daemon.ending import end
from monitor.daemon.far_site import FarKeeper, design_of, far_site
from monitor.daemon.ingesting import CentralInbox
from monitor.daemon.page import Page
from monitor.daemon.post import accounts_of
from monitor.daemon.secrets import Secrets, centre_seed, load_secrets
from monitor.daemon.sockets import CannotStart, page_socket
from monitor.daemon.version import own_version
from monitor.history.central import Central, SiteRow, StandingAlarm
from monitor.history.one_site import one_site
from monitor.history.store import Store
from monitor.history.trouble import NotKept
from monitor.notify.carrier import Carrier
from monitor.plan.text import NotRight, Problem
from monitor.show import farms as show
from monitor.show.centre_web import centre_application
from monitor.show.ports import Looked, Refused
from monitor.show.serve import Serving
from monitor.show.ways import By, Way

log = logging.getLogger(__name__)

SUBJECTS = "farpole.*.*"
MOST_OPEN = 128
"""Parcels that one process has in its hands at once; what comes together is kept together."""
MOST_DESIGNS = 64
FARMS_LAST_S = 2.0
"""So long one composed picture of all sites serves everybody who looks."""


@dataclass(frozen=True, slots=True)
class CentreSettings:
    """Where everything is. ``page`` None: this process only ingests."""

    history: str
    router: str
    secrets_file: Path | None
    authority: str | None = None
    page: Page | None = None
    at_once: int = 4
    tell: tuple[str, ...] = ()
    timezone: str = "UTC"


def seed_of(secrets: Secrets) -> str:
    """The centre's own key; raises NotRight."""
    seed = centre_seed(secrets)
    if seed is None:
        words = "the secrets have no entry of kind 'centre'; farpole centre --new-key makes one"
        raise NotRight([Problem(1, "secrets", words, "farpole centre")])
    try:
        public_of(seed)
    except NoKey as error:
        raise NotRight([Problem(1, "secrets", f"the entry of kind 'centre': {error}", "farpole centre")]) from None
    return seed


class CentreSites:
    """Fills what the centre's pages need."""

    def __init__(self, inbox: CentralInbox, url: str, watch: CentreWatch, clock: Clock, timezone: str) -> None:
        self._inbox, self._url, self._watch, self._clock, self._timezone = inbox, url, watch, clock, timezone
        self._threads = ThreadPoolExecutor(2, "pages")
        self._designs: OrderedDict[int, Design] = OrderedDict()
        self._stores: OrderedDict[int, Store] = OrderedDict()
        self._began_s = clock.wall_s()
        self._farms: tuple[float, show.Farms] | None = None

    async def farms(self) -> show.Farms:
        """How all sites stand. Raises Refused."""
        if self._farms is not None and self._clock.monotonic_s() - self._farms[0] < FARMS_LAST_S:
            return self._farms[1]
        now_s = self._clock.wall_s()
        try:
            sites = await self._inbox.ask(lambda central: central.sites())
            standing = await self._inbox.ask(lambda central: central.standing())
            about = await self._inbox.ask(lambda central: central.sheets("coming"))
            own = await self._watch.standing()
        except NotNow as error:
            raise Refused(f"the tables cannot be read now: {error}") from None
        heard = [(one.name, one.heard_s, self._silent(one, now_s)) for one in sites]
        alarms = [_standing(one) for one in standing]
        made = show.compose(heard, alarms, about, [_own(a) for a in own], now_s, own_version(), self._timezone)
        self._farms = self._clock.monotonic_s(), made
        return made

    def _silent(self, one: SiteRow, now_s: float) -> bool:
        known = Heard(one.name, one.heard_s, one.alive_s) if one.heard_s is not None else None
        return known is not None and is_silent(known, now_s, self._began_s)

    async def site(self, name: str) -> Looked:
        """One site. KeyError where there is none; Refused where it has not sent enough yet."""
        try:
            sites = await self._inbox.ask(lambda central: central.sites())
            one = next((site for site in sites if site.name == name), None)
            if one is None:
                raise KeyError(name)
            texts = await self._inbox.ask(lambda central: central.sheet(name, "plan"))
            about = await self._inbox.ask(lambda central: central.sheet(name, "coming")) or {}
            if one.source is None or one.heard_s is None or texts is None:
                raise Refused(f"{name} has not sent its plan yet")
            keeper = FarKeeper(self._store(one.source), self._threads)
            design = await self._design(one.source, texts)
            return await far_site(design, keeper, self._clock, about, one.heard_s, own_version())
        except (NotNow, NotKept) as error:
            raise Refused(f"the tables cannot be read now: {error}") from None

    def _store(self, source: int) -> Store:
        if source not in self._stores:
            self._stores[source] = one_site(self._url, source)
        self._stores.move_to_end(source)
        while len(self._stores) > MOST_DESIGNS:
            self._stores.popitem(last=False)[1].close()
        return self._stores[source]

    async def _design(self, source: int, texts: Mapping[str, Any]) -> Design:
        key = hash((source, texts["plan"], tuple(sorted(texts["beside"].items()))))
        if key not in self._designs:
            try:
                loop = asyncio.get_running_loop()
                self._designs[key] = await loop.run_in_executor(self._threads, design_of, texts)
            except (NotRight, ValueError) as error:
                raise Refused(f"its plan cannot be read by this farpole: {error}") from None
        self._designs.move_to_end(key)
        while len(self._designs) > MOST_DESIGNS:
            self._designs.popitem(last=False)
        return self._designs[key]

    def close(self) -> None:
        """Give everything back."""
        self._threads.shutdown()
        for store in self._stores.values():
            store.close()


def _standing(one: StandingAlarm) -> show.Standing:
    return show.told(
        site=one.site,
        resource=one.resource,
        type=one.type,
        severity=one.severity,
        operator=one.operator,
        text=one.text,
        raised_s=one.raised_s,
    )


def _own(alarm: Alarm) -> show.Standing:
    site = alarm.key.resource.removeprefix("site/")
    told = (site, alarm.key.resource, alarm.key.type, alarm.severity.value, alarm.operator.value)
    return show.Standing(*told, f"{site}: {alarm.text}", alarm.raised_s)


class Centre:
    """One process of a centre; any number may run beside each other."""

    def __init__(self, settings: CentreSettings, clock: Clock | None = None) -> None:
        self.settings, self.clock = settings, clock or SystemClock()
        self.stopping = asyncio.Event()

    async def run(self) -> None:
        """Run until stopped. Raises NotRight for bad input and CannotStart."""
        settings = self.settings
        raise_limit()
        secrets = load_secrets(settings.secrets_file, os.environ, settings.tell)
        seed = seed_of(secrets)
        entrance = settings.page.entrance(secrets, self.clock.monotonic_s) if settings.page else None
        with contextlib.ExitStack() as stack:
            try:
                central = stack.enter_context(contextlib.closing(Central(settings.history, settings.at_once)))
                own = stack.enter_context(Store(settings.history))
            except NotKept as error:
                raise CannotStart(f"the tables cannot be opened: {error}") from None
            inbox = stack.enter_context(
                contextlib.closing(CentralInbox(central, self.clock.monotonic_s, settings.at_once))
            )
            zone, carrier = ZoneInfo(settings.timezone), Carrier(accounts_of(secrets))
            watch = CentreWatch(inbox, own, carrier, settings.tell, self.clock, zone)
            tasks = [asyncio.create_task(self._ingest(inbox, seed))]
            serving: list[Serving] = []
            if settings.page is not None and entrance is not None:
                sites = CentreSites(inbox, settings.history, watch, self.clock, settings.timezone)
                stack.callback(sites.close)
                app = By(centre_application(sites, own_version(), entrance), Way.PAGE)
                page = settings.page
                serving = [Serving(app, [one], page.tls(), page.room(MOST_PAGE)) for one in page_socket(page)]
                tasks.append(asyncio.create_task(watch.run()))
            try:
                await self._until_stopped(serving, tasks)
            finally:
                await _end(tasks, serving)

    async def _until_stopped(self, serving: list[Serving], tasks: list[asyncio.Task[None]]) -> None:
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, self.stopping.set)
        await asyncio.gather(*(one.start() for one in serving))
        log.info("the centre runs%s", "" if serving else " as an ingester alone")
        stopped = asyncio.create_task(self.stopping.wait())
        await asyncio.wait([stopped, *tasks], return_when=asyncio.FIRST_COMPLETED)
        stopped.cancel()
        for task in tasks:
            if task.done():
                task.result()

    async def _ingest(self, inbox: CentralInbox, seed: str) -> None:
        """Serve what sites send, for as long as this runs; a router that is away is tried again."""
        settings = self.settings
        ingester = Ingester(inbox, signer(seed), verifier, self.clock.wall_s)
        while True:
            line = Line(Router(settings.router, seed, CENTRE_INBOX, settings.authority))
            try:
                await line.open()
                await line.serve(SUBJECTS, ingester.take, MOST_OPEN)
                log.info("sites are taken from %s", settings.router)
                await line.down()
                log.warning("the line to %s was cut", settings.router)
            except LineDown as error:
                log.warning("no sites are taken: %s", error)
            finally:
                await line.close()
            await self.clock.sleep(2.0)


async def _end(tasks: list[asyncio.Task[None]], serving: list[Serving]) -> None:
    await end(tasks)
    await asyncio.gather(*(one.close() for one in serving))
    log.info("stopped")
