"""The outbox's job: what waits is sent, and a line that is down becomes an alarm of the program itself."""

from dataclasses import replace

from monitor.alarms.book import Alarm, Change
from monitor.alarms.callouts import letter, local_time
from monitor.daemon.clock import Clock
from monitor.daemon.keeper import Keeper
from monitor.daemon.rounds import Rounds
from monitor.daemon.secrets import Mail, Secrets, Webhook
from monitor.history.records import Waiting
from monitor.history.store import NotKept
from monitor.notify.carrier import Account, Carrier, MailAccount, WebhookAddress
from monitor.notify.outbox import send_waiting
from monitor.plan.parts import Callout

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


class Post:
    """Sends what the outbox holds."""

    def __init__(self, rounds: Rounds, keeper: Keeper, carrier: Carrier, clock: Clock) -> None:
        self._rounds, self._keeper, self._carrier, self._clock = rounds, keeper, carrier, clock
        self.waiting = 0

    async def send(self) -> float | None:
        """Send what may leave now."""
        memory, zone = self._rounds.memory, self._rounds.memory.design.zone
        try:
            due: list[Waiting] = await self._keeper.ask(lambda store: store.due(self._clock.wall_s()))
            sent = await send_waiting(due, self._carrier.send, self._clock.wall_s(), lambda at: local_time(at, zone))
            for one in sent:
                await self._mark(one.id, one.why, one.again_s)
            memory.told = await self._keeper.ask(lambda store: store.told()) if sent else memory.told
        except NotKept:
            return None  # the keeper says so and raises the alarm
        failing = [
            one.why
            for one, was in zip(sent, due, strict=False)
            if one.why and was.attempts + 1 >= TROUBLE_AFTER_ATTEMPTS
        ]
        self.waiting = len(due) - sum(not one.why for one in sent)
        if failing or sent:
            await self._rounds.step([self._rounds.own("callouts-not-going-out", failing[0] if failing else "")])
        return None

    async def _mark(self, message_id: int, why: str, again_s: float) -> None:
        now_s = self._clock.wall_s()
        if why:
            await self._keeper.ask(lambda store: store.failed(message_id, why, again_s))
        else:
            await self._keeper.ask(lambda store: store.went(message_id, now_s))

    async def morning_letter(self, person: Callout) -> None:
        """Compose one person's morning letter and put it into the outbox."""
        memory, now_s = self._rounds.memory, self._clock.wall_s()
        alarms = memory.book.alarms
        past = await self._keeper.ask(lambda store: store.changes(now_s - 86_400))
        changes = [
            Change(replace(alarms[p.key], raised_s=p.raised_s, settled=p.note), p.at_s, "cleared", note=p.note)
            for p in past
            if p.what == "cleared" and p.key in alarms
        ]
        standing: list[Alarm] = memory.book.raised()
        message = letter(changes, standing, person, memory.plan, memory.design.zone, now_s)
        await self._keeper.record([], [message])
