"""Switching a PoE port off and on: the intention is kept before OFF, ON is tried until it is read back."""

import json
import logging
from collections.abc import Mapping

from monitor.alarms.acts import Attempt, may_cycle, to_revive
from monitor.alarms.book import Condition, Key
from monitor.alarms.inventory import INVENTORY
from monitor.daemon.clock import Clock
from monitor.daemon.keeper import Keeper
from monitor.daemon.rounds import Rounds
from monitor.devices.ask.snmp import Agent, Community, User
from monitor.devices.ask.snmp_any import AnyAsker
from monitor.devices.ask.snmp_read import read_integer
from monitor.devices.decode.power_ethernet import admin_of
from monitor.devices.decode.raw import Oid
from monitor.facts import resources
from monitor.facts.states import TruthValue
from monitor.facts.words import say
from monitor.history.store import NotKept

log = logging.getLogger(__name__)

BEGUN, DONE = "port switching begun", "port switching done"
"""Kinds of the events by which a switching is remembered; one that was begun and not done is finished at the start."""
OFF_S = 10.0
ON_TRIES_EACH_S = 5.0
LEFT_OFF_AFTER_S = 60.0
REVIVE_AFTER_ROUNDS, REVIVE_PERCENT = 4, 60.0
"""How long an alarm must have stood, in reachability rounds, and how sure its cause must be (common practice)."""
_ON, _OFF = TruthValue.TRUE, TruthValue.FALSE
"""Of pethPsePortAdminEnable (RFC 3621)."""
TIMEOUT_S = 2.0


class CannotAct(ValueError):
    """It is not done; the message says why."""


class Acting:
    """Acts under one plan; at most one port at a time."""

    def __init__(
        self, rounds: Rounds, keeper: Keeper, clock: Clock, credentials: Mapping[str, Community | User]
    ) -> None:
        self._rounds, self._keeper, self._clock, self._credentials = rounds, keeper, clock, credentials
        self._asker = AnyAsker()
        self._busy = ""
        self._done_s: dict[str, float] = {}
        """Port → when it was last switched on again in this run, whether that could be written or not."""

    async def attempts(self) -> list[Attempt]:
        """What was switched, oldest first."""
        rows = await self._keeper.ask(lambda store: store.notes(BEGUN))
        found = []
        for at_s, port, words in rows:
            told = json.loads(words)
            found.append(Attempt(at_s, port, told["who"], told["why"], told["automatic"]))
        return found

    async def refusal(self, pole: str, port: str) -> str:
        """Why a port may not be switched now; empty where it may."""
        memory, now_s = self._rounds.memory, self._clock.wall_s()
        if not self._keeper.readable:
            return f"how often it was switched is not known now: {self._keeper.trouble}"
        watch = memory.watches.get(pole)
        refused = may_cycle(
            memory.plan,
            memory.topology,
            pole,
            port,
            now_s,
            await self.attempts(),
            memory.book,
            watch is not None and not watch.doubtful,
            memory.more_behind.get(pole, frozenset()),
            memory.shelves,
        )
        return refused or self._by_credentials(pole) or (f"{self._busy} is being switched" if self._busy else "")

    def _by_credentials(self, pole: str) -> str:
        switch, plan = self._rounds.memory.plan.pole(pole).switch, self._rounds.memory.plan
        writing = self._credentials.get(switch.write_credentials or "")
        if switch.write_credentials is None:
            return f"{pole}'s switch has no write_credentials in the plan: those for reading never write"
        if writing is None:
            return f"the secret of {switch.write_credentials!r} is not there"
        if isinstance(writing, Community) and plan.acting.v2c_writing != "accepted in clear":
            return (
                "its write credentials are a v2c community, which everybody on the wire can read; use v3, or say "
                "acting: {v2c_writing: accepted in clear}"
            )
        return ""

    async def cycle(self, pole: str, port: str, who: str, why: str, automatic: bool = False) -> None:
        """Switch a port off and on; raises CannotAct before anything is done, or when it could not be switched off."""
        refused = await self.refusal(pole, port)
        if refused:
            raise CannotAct(refused)
        agent, oid = self._where(pole, port)
        resource = resources.port(pole, port)
        words = json.dumps({"who": who, "why": why, "automatic": automatic})
        try:
            await self._keeper.ask(lambda store: store.note(self._clock.wall_s(), BEGUN, resource, words))
        except NotKept as error:
            raise CannotAct(f"the intention could not be kept, so nothing was done: {error}") from None
        log.warning("%s is switched off and on: %s (%s)", resource, why, who)
        self._busy = resource
        try:
            await self._off_and_on(agent, oid, resource)
        finally:
            self._busy = ""

    async def _off_and_on(self, agent: Agent, oid: Oid, resource: str) -> None:
        from monitor.devices.ask.snmp_set import NotSet, set_integer  # pysnmp is heavy, and most sites never act

        failed = ""
        try:
            await set_integer(agent, oid, _OFF)
            await self._clock.sleep(OFF_S)
        except NotSet as error:
            failed = str(error)  # it may be off all the same: ON is said in any case
        await self._on(agent, oid, resource)
        if failed:
            raise CannotAct(f"it could not be switched off: {failed}")

    async def _on(self, agent: Agent, oid: Oid, resource: str) -> None:
        """Say ON until it is read back, however long that takes."""
        from monitor.devices.ask.snmp_set import NotSet, set_integer  # the same

        began_s, key = self._clock.monotonic_s(), Key(resource, "port-left-off")
        while True:
            try:
                await set_integer(agent, oid, _ON)
                if await read_integer(self._asker, agent, oid) == _ON:
                    break
                why: str = say("it does not say that it is on")
            except NotSet as error:
                why = str(error)
            if self._clock.monotonic_s() - began_s >= LEFT_OFF_AFTER_S:
                words = "port {port} was switched off and does not come on again: {why}"
                text = say(words, port=resources.tail_of(resource), why=why)
                await self._rounds.step([Condition(key, INVENTORY["port-left-off"].severity, text)])
            await self._clock.sleep(ON_TRIES_EACH_S)
        await self._rounds.step([Condition(key, None)])
        self._done_s[resource] = self._clock.wall_s()
        await self._keeper.event(self._done_s[resource], DONE, resource, "")
        log.info("%s is on again", resource)

    def _where(self, pole: str, port: str) -> tuple[Agent, Oid]:
        memory = self._rounds.memory
        switch = memory.plan.pole(pole).switch
        row = memory.poe_rows.get(pole, {}).get(port)
        if row is None:
            raise CannotAct(f"{pole}'s switch has not told where its port {port} stands in its PoE table (RFC 3621)")
        writing = self._credentials[switch.write_credentials or ""]
        return Agent(switch.address, switch.port, writing, TIMEOUT_S, 1), admin_of(row)

    async def finish(self) -> None:
        """Switch on what a crash has left off: every switching that was begun and not done."""
        begun = await self._keeper.ask(lambda store: store.notes(BEGUN))
        done = await self._keeper.ask(lambda store: store.notes(DONE))
        ended = {port: max(at_s for at_s, p, _ in done if p == port) for _, port, _ in done} | self._done_s
        left = {port for at_s, port, _ in begun if at_s > ended.get(port, float("-inf"))}
        for resource in sorted(left - {self._busy}):
            pole, port = resources.place_of(resource), resources.tail_of(resource)
            if pole not in self._rounds.memory.topology.above or self._by_credentials(pole):
                log.error("%s may have been left off, and the plan no longer says how to switch it on", resource)
                continue
            if port not in self._rounds.memory.poe_rows.get(pole, {}):
                continue  # its switch has not answered yet: this is asked again
            log.warning("%s may have been left off when farpole stopped: it is switched on", resource)
            agent, oid = self._where(pole, port)
            await self._on(agent, oid, resource)

    async def revive(self) -> None:
        """Finish what was begun; then cycle cameras that hang, where the plan wants that, under the same guards."""
        if not self._keeper.readable:
            return  # what was begun, and how often, is not known now: nothing is switched by itself
        await self.finish()
        memory = self._rounds.memory
        after_s = REVIVE_AFTER_ROUNDS * memory.plan.rounds.reach_s
        for pole, port in to_revive(memory.book, memory.plan, self._clock.wall_s(), after_s, REVIVE_PERCENT):
            if await self.refusal(pole, port):
                continue
            try:
                await self.cycle(pole, port, "farpole", "its camera most probably hangs", automatic=True)
            except CannotAct as error:
                log.error("%s/port/%s was not revived: %s", pole, port, error)

    def close(self) -> None:
        """Give sockets back."""
        self._asker.close()
