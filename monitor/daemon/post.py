"""The outbox's job: what waits is sent, and a line that is down becomes an alarm of the program itself."""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace

from monitor.alarms.callouts import may_leave
from monitor.alarms.messages import Message, digest, late
from monitor.daemon.clock import Clock
from monitor.daemon.keeper import Keeper
from monitor.daemon.rounds import Rounds
from monitor.daemon.secrets import Mail, Secrets, Webhook
from monitor.facts.words import say
from monitor.history.records import Waiting
from monitor.history.store import NotKept
from monitor.notify.carrier import Account, Carrier, MailAccount, WebhookAddress
from monitor.notify.outbox import Sent, send_waiting

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
        self._rounds, self._keeper, self._carrier, self._clock = rounds, keeper, carrier, clock
        self._unmarked: dict[int, Sent] = {}
        """Attempts that could not be written down yet: what went must not go again, whatever the disk says."""
        self._unwritten_again_s = 0.0
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
        for one in due:
            person = one.message.person
            together = flooded.get(person, []) if one.message.kind in CALLS else []
            if not together:
                bundles.append(_Bundle(one, (one,)))
            elif person not in done and now_s - max(self._went.get(person, [0.0]), default=0.0) >= BETWEEN_S:
                done.add(person)
                subject, body = digest([w.message for w in together], design.zone, design.tongue_of(person))
                message = replace(together[0].message, subject=subject, body=body)
                bundles.append(_Bundle(replace(together[0], message=message), tuple(together)))
        return bundles

    def _is_flood(self, person: str, more: int, now_s: float) -> bool:
        recent = sum(now_s - at_s < FLOOD_S for at_s in self._went.get(person, ()))
        return recent + more > FLOOD

    async def send(self) -> float | None:
        """Send what may leave now."""
        now_s = self._clock.wall_s()
        due = await self._due(now_s)
        sent = await self._carry(due, now_s)
        self._unmarked |= {one.id: one for one in sent}
        await self._mark()
        if now_s >= self._unwritten_again_s:
            await self._keeper.send_unwritten(now_s, self._carry_unwritten)
        was = {one.id: one for one in due}
        failing = [
            say("messages to {person} wait: {why}", person=was[one.id].message.person, why=one.why)
            for one in sent
            if one.why and was[one.id].attempts + 1 >= TROUBLE_AFTER_ATTEMPTS
        ]
        self.waiting = len(due) - sum(not one.why for one in sent)
        if failing or sent:
            await self._rounds.step([self._rounds.own("callouts-not-going-out", failing[0] if failing else "")])
        return None

    async def _due(self, now_s: float) -> list[Waiting]:
        try:
            due: list[Waiting] = await self._keeper.ask(lambda store: store.due(now_s))
        except NotKept:
            return []  # the keeper says so and raises the alarm
        known, book = self._unmarked, self._rounds.memory.book
        due = [one for one in due if may_leave(one.message, book, now_s)]
        return [one for one in due if one.id not in known or (known[one.id].why and known[one.id].again_s <= now_s)]

    async def _carry(self, due: Sequence[Waiting], now_s: float) -> list[Sent]:
        memory, design = self._rounds.memory, self._rounds.memory.design
        bundles = self._bundled(due, now_s)
        went = await send_waiting(
            [b.waiting for b in bundles],
            self._carrier.send,
            now_s,
            lambda message, at_s: late(message, at_s, design.zone, design.tongue_of(message.person)),
        )
        by_id = {one.id: one for one in went}
        sent: list[Sent] = []
        for bundle in bundles:
            outcome = by_id.get(bundle.waiting.id)
            if outcome is None:
                continue
            sent += [replace(outcome, id=one.id) for one in bundle.whole]
            if not outcome.why and bundle.waiting.message.kind in CALLS:
                self._went.setdefault(bundle.waiting.message.person, deque(maxlen=64)).append(now_s)
        tried = {one.id for one in sent}
        for one in due:
            if one.id in tried and one.message.kind != "letter":
                about = f"{one.message.resource} {one.message.type}"
                memory.told[one.message.person, about] = one.message.kind in ("callout", "reminder")
        return sent

    async def _carry_unwritten(self, messages: Sequence[Message]) -> list[Message]:
        now_s = self._clock.wall_s()
        due = [Waiting(-1 - i, message, 0) for i, message in enumerate(messages)]
        sent = await self._carry(due, now_s)
        self._unwritten_again_s = max((one.again_s for one in sent), default=0.0)
        went = {one.id for one in sent if not one.why}
        return [one.message for one in due if one.id in went]

    async def _mark(self) -> None:
        """Write down how attempts came out, as far as the disk takes it."""
        now_s = self._clock.wall_s()
        for one in list(self._unmarked.values()):
            try:
                if one.why:
                    await self._keeper.ask(lambda store: store.failed(one.id, one.why, one.again_s))  # noqa: B023  # awaited before the next turn
                else:
                    await self._keeper.ask(lambda store: store.went(one.id, now_s))  # noqa: B023  # the same
            except NotKept:
                return  # the keeper says so and raises the alarm
            del self._unmarked[one.id]
