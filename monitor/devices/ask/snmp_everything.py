"""Everything that an agent has, walked from end to end, whatever it does: loops, holes, silence, endless tables."""

from collections.abc import Callable
from dataclasses import dataclass, field

from monitor.devices.ask.snmp import Agent, Asker, Outcome, Pdu
from monitor.devices.decode.raw import Missing, Oid, Raw, Table, dotted

MOST_OBJECTS = 20_000
MOST_REQUESTS = 8_000
_MOST_JUMPS = 60
_REPETITIONS = 25
_START: Oid = (1, 0)
"""The first name that SNMP devices use: LLDP-MIB stands below 1.0.8802."""


@dataclass
class Everything:
    """All that came, how it ended, and what was wrong on the way."""

    outcome: Outcome = Outcome.SILENT
    detail: str = ""
    objects: Table = field(default_factory=dict)
    strange: list[tuple[Oid, Raw, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    requests: int = 0

    @property
    def received(self) -> int:
        """Objects received, each counted once."""
        return len(self.objects) + len(self.strange)


async def everything(asker: Asker, agent: Agent, progress: Callable[[int, Oid], None]) -> Everything:
    """Walk an agent's whole tree. ``progress`` hears of each answer: objects so far, and where it stands."""
    got, at, repetitions, jumps = Everything(), _START, _REPETITIONS, 0
    while got.requests < MOST_REQUESTS and len(got.objects) < MOST_OBJECTS:
        answer = await asker.ask(agent, Pdu("bulk", (at,), repetitions))
        got.requests += 1
        if answer.outcome is not Outcome.OK:
            if repetitions > 1 and (got.objects or answer.outcome is Outcome.AGENT_ERROR):
                repetitions = max(1, repetitions // 2)
                continue
            if got.objects:
                got.notes.append(f"it did not go on after {dotted(at)}: {answer.outcome.value}, {answer.detail}")
            got.outcome = Outcome.OK if got.objects else answer.outcome
            got.detail = answer.detail
            return got
        following, why = _take(got, at, answer.objects)
        progress(len(got.objects), at)
        if why:
            got.notes.append(why)
            following = await _jump(asker, agent, got, following or at) if jumps < _MOST_JUMPS else None
            jumps += 1
        if following is None:
            got.outcome = Outcome.OK
            return got
        at = following
    got.outcome = Outcome.OK
    got.notes.append(f"cut off after {len(got.objects):,} objects and {got.requests:,} requests")
    return got


def _take(got: Everything, at: Oid, came: Table) -> tuple[Oid | None, str]:
    """Keep what came in order; where to go on (None at the end), and what was wrong."""
    for oid, raw in came.items():
        if raw is Missing.END_OF_MIB_VIEW:
            return None, ""
        if isinstance(raw, Missing):
            continue
        if oid <= at:
            why = f"objects do not increase after {dotted(at)}: {dotted(oid)} came"
            if oid not in got.objects:
                got.strange.append((oid, raw, "it came out of order"))
            return at, why
        got.objects[oid] = raw
        at = oid
    return (at, "") if came else (None, "")


async def _jump(asker: Asker, agent: Agent, got: Everything, at: Oid) -> Oid | None:
    """Past a table that loops: the next name on a higher branch that leads on."""
    for n in range(len(at) - 1, 5, -1):
        beyond = (*at[: n - 1], at[n - 1] + 1)
        answer = await asker.ask(agent, Pdu("bulk", (beyond,), 1))
        got.requests += 1
        first = next(((oid, raw) for oid, raw in answer.objects.items() if not isinstance(raw, Missing)), None)
        if first is not None and first[0] > at:
            got.objects[first[0]] = first[1]
            return first[0]
        if answer.outcome is not Outcome.OK:
            return None
    return None
