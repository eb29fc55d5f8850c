"""One site as the centre sees it: composed from what it has sent, by the same read models. Nobody acts from here."""

import asyncio
import logging
import zoneinfo
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, TypeVar

from monitor.alarms.book import Book, Key
from monitor.alarms.cause import Cause
from monitor.alarms.silence import MISSES_OF_ONE_KIND, Explained, Watch
from monitor.daemon.clock import Clock
from monitor.daemon.design import Design
from monitor.daemon.desk_views import Views
from monitor.daemon.files import load_sheets, sheet_texts
from monitor.daemon.memory import Memory
from monitor.facts import resources
from monitor.facts.readings import Round, State
from monitor.facts.words import say
from monitor.history.store import Store
from monitor.plan.datasheets import read_sheets
from monitor.plan.meaning import read_plan
from monitor.show.picture import compose
from monitor.show.ports import Refused
from monitor.show.views import Picture

T = TypeVar("T")
log = logging.getLogger(__name__)

SEEN_WITHIN_S = 7 * 86_400.0
"""A site that is cut off shows what it was like up to so long before."""


def design_of(texts: Mapping[str, Any]) -> Design:
    """The design of a plan that a site has sent; raises NotRight and ValueError."""
    own = {name: text for name, text in texts["beside"].items() if name.startswith("datasheets/")}
    zones = frozenset(zoneinfo.available_timezones())
    sheets = read_sheets({**sheet_texts(), **own}, zones) if own else load_sheets()
    return Design.of(read_plan(texts["plan"], sheets, "the plan of this site"), sheets)


@dataclass(frozen=True, slots=True)
class FarKeeper:
    """A site's history at the centre, asked in a thread."""

    store: Store
    threads: ThreadPoolExecutor

    async def ask(self, question: Callable[[Store], T]) -> T:
        """Ask the store; raises NotKept."""
        return await asyncio.get_running_loop().run_in_executor(self.threads, lambda: question(self.store))


class _Far:
    """What is known of a far site."""

    def __init__(self, memory: Memory, keeper: FarKeeper) -> None:
        self.memory, self.keeper = memory, keeper

    def why(self, place: str) -> Cause:
        """The site itself looks for causes, and has found none here."""
        raise Refused(f"the site has sent no cause for the first alarm of {place}")


class FarSite(Views):
    """Fills what pages need to look at one site of many."""

    def __init__(self, far: _Far, clock: Clock, about: Mapping[str, Any], version: str, at_s: float) -> None:
        super().__init__(clock)
        self._far, self._about, self._version, self._at_s = far, about, version, at_s
        self.plan_file = "plan.yaml"

    @property
    def rounds(self) -> _Far:
        """What is looked at."""
        return self._far

    def picture(self) -> Picture:
        """How the site stood when it was last heard."""
        return compose(self._far.memory, self._at_s, self._version)

    def coming(self) -> tuple[str, ...]:
        """What the site itself expects to end next."""
        return tuple(f"{one['pole']}: {one['words']}" for one in self._about.get("ends", ()))

    def charts_ready(self) -> bool:
        """Here drawings are enough."""
        return False

    def itself(self) -> dict[str, Any]:
        """How the program there is doing is not known here."""
        return {}

    async def done_at(self, pole: str) -> list[tuple[float, str, str, str]]:
        """What was noted at a pole, newest first; photos stay at the site."""
        repairs = await self._far.keeper.ask(lambda store: store.repairs())
        return [(r.at_s, r.who, r.text, "") for r in reversed(repairs) if resources.place_of(r.resource) == pole]


async def far_site(
    design: Design, keeper: FarKeeper, clock: Clock, about: Mapping[str, Any], heard_s: float, version: str
) -> FarSite:
    """Look at a site; raises NotKept."""
    memory = Memory(design)
    newest = await keeper.ask(lambda store: store.newest(heard_s - SEEN_WITHIN_S))
    alarms = await keeper.ask(lambda store: store.alarms())
    memory.book = Book({alarm.key: alarm for alarm in alarms})
    for readings in sorted(newest, key=lambda one: one.at_s):
        memory.latest.take(readings)
        memory.margins.update(memory.judge.round(readings, memory.margins))
    _silences(memory, newest)
    at_s = max([one.at_s for one in newest] + [alarm.changed_s for alarm in alarms], default=heard_s)
    silent_s = clock.wall_s() - heard_s
    if silent_s > 300:
        memory.notes = (say("This site has not been heard for {minutes:.0f} min.", minutes=silent_s / 60),)
    return FarSite(_Far(memory, keeper), clock, about, version, at_s)


def _silences(memory: Memory, newest: Iterable[Round]) -> None:
    """Who answers and who is silent: by the newest rounds, and by what the site's own alarms say."""
    places = set(memory.design.places)
    heard: dict[str, float] = {}
    for one in newest:
        place = resources.place_of(one.layout.device)
        if place in places and State.SEEN in one.states:
            heard[place] = max(one.at_s, heard.get(place, 0.0))
    because, roots = {}, {}
    for place in places:
        alarm = memory.book.alarms.get(Key(place, "pole-silent")) or memory.book.alarms.get(
            Key(place, "head-end-silent")
        )
        silent = alarm is not None and not alarm.cleared
        since_s = alarm.raised_s if alarm is not None and silent else None
        memory.watches[place] = Watch(
            misses=MISSES_OF_ONE_KIND if silent else 0, answered_s=heard.get(place, since_s), agent_ever=True
        )
        if alarm is not None and silent and alarm.root:
            because[place] = alarm.root
        elif alarm is not None and silent:
            roots[place] = alarm.impacted
    hidden = {impacted: root for root, some in roots.items() for impacted in some if impacted in places}
    memory.explained = Explained(roots, {**hidden, **because}, frozenset())
