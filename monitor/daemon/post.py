"""The outbox's job: what waits is sent, and a line that is down becomes an alarm of the program itself."""

import asyncio
import itertools
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace

from monitor.alarms.callouts import may_leave
from monitor.alarms.messages import Message, digest, late
from monitor.daemon.clock import Clock
from monitor.daemon.ending import end
from monitor.daemon.keeper import Keeper
from monitor.daemon.rounds import Rounds
from monitor.daemon.secrets import Mail, Secrets, Webhook
from monitor.facts.words import say
from monitor.history.records import Waiting
from monitor.history.store import NotKept
from monitor.notify.carrier import Account, Carrier, MailAccount, WebhookAddress
from monitor.notify.outbox import Lanes, Sent

TROUBLE_AFTER_ATTEMPTS = 3


def accounts_of(secrets: Secrets) -> dict[str, Account]:
    """The secrets that messages can be sent to."""
    found: dict[str, Account] = {}
    for name, secret in secrets.items():
        if isinstance(secret, Mail):
            password = secret.password.get_secret_value() if secret.password else None
            found[name] = MailAccount(
                secret.server, secret.port, secret.security, secret.sender, tuple(secret.to), secret.user, password
            )
        elif isinstance(secret, Webhook):
            found[name] = WebhookAddress(secret.url.get_secret_value())
    return found


FLOOD, FLOOD_S = 10, 600.0
BETWEEN_S = 60.0
"""How long what comes in a flood is gathered before it goes on as one message (common practice, no source)."""
CALLS = ("callout", "reminder", "all clear")


@dataclass(frozen=True, slots=True)
class _Bundle:
    """One message to be sent, and all those of the outbox that are in it."""

    waiting: Waiting
    whole: tuple[Waiting, ...]


class Post:
    """Sends what the outbox holds; and what could not be put into it, while the disk cannot be written."""

    def __init__(self, rounds: Rounds, keeper: Keeper, carrier: Carrier, clock: Clock) -> None:
        self._rounds, self._keeper, self._clock = rounds, keeper, clock
        self._lanes = Lanes(carrier.send, self._late, self._came)
        self._under_way: dict[int, _Bundle] = {}
        self._unmarked: dict[int, Sent] = {}
        """Attempts that could not be written down yet: what went must not go again, whatever the disk says."""
        self._marking = asyncio.Lock()
        self._unwritten_again_s: dict[str, float] = {}
        """Account → when what cannot be written may be tried there again."""
        self._failing: dict[str, str] = {}
        """Account → why messages to it wait."""
        self._numbers = itertools.count()
        """What cannot be written has numbers below zero, no two of them the same."""
        self.waiting = 0
        self._went: dict[str, deque[float]] = {}
        """Person → when callouts have gone to him lately."""

    def _bundled(self, due: Sequence[Waiting], now_s: float) -> list["_Bundle"]:
        """What goes together: of a person to whom more than FLOOD callouts would go within ten minutes, all that wait.

        "More than 10 alarms in 10 minutes" is a flood: IEC 62682 and EEMUA 191, for one operator.
        """
        calls: dict[str, list[Waiting]] = {}
        for one in due:
            if one.message.kind in CALLS:
                calls.setdefault(one.message.person, []).append(one)
        flooded = {person: some for person, some in calls.items() if self._is_flood(person, len(some), now_s)}
        bundles, done, design = [], set(), self._rounds.memory.design
        site = design.plan.site.name
        for one in due:
            person = one.message.person
            together = flooded.get(person, []) if one.message.kind in CALLS else []
            if not together:
                bundles.append(_Bundle(one, (one,)))
            elif person not in done and now_s - max(self._went.get(person, [0.0]), default=0.0) >= BETWEEN_S:
                done.add(person)
                subject, body = digest([w.message for w in together], site, design.zone, design.tongue_of(person))
                message = replace(together[0].message, subject=subject, body=body)
                bundles.append(_Bundle(replace(together[0], message=message), tuple(together)))
        return bundles

    def _is_flood(self, person: str, more: int, now_s: float) -> bool:
        recent = sum(now_s - at_s < FLOOD_S for at_s in self._went.get(person, ()))
        return recent + more > FLOOD

    async def send(self) -> None:
        """Begin to send what may leave now, to each account to which nothing is under way."""
        now_s = self._clock.wall_s()
        # Before the outbox is read: what is under way then may be marked as sent only after that.
        busy = self._lanes.busy()
        await self._mark()
        due = await self._due(now_s)
        self.waiting = len(due)
        due = [one for one in due if one.message.to not in busy]
        due += await self._unwritten(now_s, busy)
        bundles = self._bundled(due, now_s)
        for bundle in bundles:
            self._under_way[bundle.waiting.id] = bundle
            for one in bundle.whole:  # it is on its way: what ends meanwhile is told of as over
                if one.message.kind != "letter":
                    about = f"{one.message.resource} {one.message.type}"
                    told = one.message.kind in ("callout", "reminder")
                    self._rounds.memory.told[one.message.person, about] = told
        begun = {one.id for bundle in bundles for one in bundle.whole}
        for one in due:
            if one.id < 0 and one.id not in begun:  # gathered for a later message
                self._keeper.left(one.message, None)
        self._lanes.start([bundle.waiting for bundle in bundles], now_s)

    async def settled(self) -> None:
        """Wait until everything that was begun has come out."""
        await self._lanes.idle()

    async def close(self) -> None:
        """Let what is under way come to its end, for a moment; what has not gone by then waits for the next season."""
        await end(await self._lanes.close())
        for bundle in self._under_way.values():
            for one in bundle.whole:
                if one.id < 0:
                    self._keeper.left(one.message, None)
        self._under_way.clear()

    async def _due(self, now_s: float) -> list[Waiting]:
        try:
            due: list[Waiting] = await self._keeper.ask(lambda store: store.due(now_s))
        except NotKept:
            return []  # the keeper says so and raises the alarm
        known, book = self._unmarked, self._rounds.memory.book
        due = [one for one in due if may_leave(one.message, book, now_s)]
        return [one for one in due if one.id not in known or (known[one.id].why and known[one.id].again_s <= now_s)]

    async def _unwritten(self, now_s: float, busy: frozenset[str]) -> list[Waiting]:
        again_s = self._unwritten_again_s
        free = await self._keeper.take_unwritten(
            now_s, lambda message: message.to not in busy and again_s.get(message.to, 0.0) <= now_s
        )
        return [Waiting(-1 - next(self._numbers), message, 0) for message in free]

    def _late(self, message: Message, at_s: float) -> str:
        design = self._rounds.memory.design
        return late(message, at_s, design.zone, design.tongue_of(message.person))

    async def _came(self, sent: Sent) -> None:
        """One message has gone, or has not, with all that were in it."""
        bundle, now_s = self._under_way.pop(sent.id), self._clock.wall_s()
        to, person = bundle.waiting.message.to, bundle.waiting.message.person
        for one in bundle.whole:
            if one.id < 0:
                self._keeper.left(one.message, None if sent.why else now_s)
                self._unwritten_again_s[to] = sent.again_s
            else:
                self._unmarked[one.id] = replace(sent, id=one.id)
        if not sent.why and bundle.waiting.message.kind in CALLS:
            self._went.setdefault(person, deque(maxlen=64)).append(now_s)
        await self._mark()
        if not sent.why:
            self.waiting -= len(bundle.whole)
            self._failing.pop(to, None)
        elif any(one.attempts + 1 >= TROUBLE_AFTER_ATTEMPTS for one in bundle.whole):
            self._failing[to] = say("messages to {person} wait: {why}", person=person, why=sent.why)
        else:
            return
        trouble = next(iter(self._failing.values()), "")
        await self._rounds.step([self._rounds.own("callouts-not-going-out", trouble)])

    async def _mark(self) -> None:
        """Write down how attempts came out, as far as the disk takes it."""
        now_s = self._clock.wall_s()
        async with self._marking:
            for one in list(self._unmarked.values()):
                try:
                    if one.why:
                        await self._keeper.ask(lambda store: store.failed(one.id, one.why, one.again_s))  # noqa: B023  # awaited before the next turn
                    else:
                        await self._keeper.ask(lambda store: store.went(one.id, now_s))  # noqa: B023  # the same
                except NotKept:
                    return  # the keeper says so and raises the alarm
                del self._unmarked[one.id]
