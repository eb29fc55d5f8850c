"""One interface for asking SNMP agents: a list of PDUs in, object → value and an outcome out.

Every implementation gives the same answers; above it stand ``get`` and ``walk``, which know how real agents
behave: tooBig, short replies, tables that loop.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Literal, Protocol

from monitor.devices.decode.raw import Missing, Oid, Table, dotted

MOST_ROWS = 20_000
"""Objects taken from one walk at the most: a switch with 50 ports has some 5,000 in all that we ask."""


class Outcome(Enum):
    """How a question to an agent came out."""

    OK = "ok"
    SILENT = "silent"
    REFUSED = "refused"
    AGENT_ERROR = "agent error"
    UNDECODABLE = "undecodable"


@dataclass(frozen=True, slots=True)
class Community:
    """SNMP v2c. The word itself never shows in a log or an error."""

    word: str = field(repr=False)


@dataclass(frozen=True, slots=True)
class User:
    """SNMP v3 authPriv: user, protocols and passwords; the passwords never show."""

    name: str
    auth_password: str = field(repr=False)
    priv_password: str = field(repr=False)
    auth: Literal["sha-1", "sha-256", "sha-512"] = "sha-256"
    priv: Literal["aes-128", "aes-256"] = "aes-128"


@dataclass(frozen=True, slots=True)
class Agent:
    """Whom to ask, as whom, and how long to wait."""

    address: str
    port: int
    credentials: Community | User
    timeout_s: float = 1.0
    retries: int = 1


@dataclass(frozen=True, slots=True)
class Pdu:
    """One question: a GET of objects, or a GETBULK of columns."""

    kind: Literal["get", "bulk"]
    oids: tuple[Oid, ...]
    repetitions: int = 0


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back: objects in the order in which the agent gave them, and how it came out."""

    outcome: Outcome
    objects: Table = field(default_factory=dict)
    detail: str = ""


class Asker(Protocol):
    """What implementations give. One PDU is under way per call; callers hold one call per device."""

    async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
        """Send one PDU and wait for its answer; never raises for what an agent or the network does."""
        ...

    def close(self) -> None:
        """Give sockets and tasks back."""
        ...


async def get(asker: Asker, agent: Agent, oids: Sequence[Oid], chunk: int = 30) -> Answer:
    """GET many objects, in pieces that are halved where the agent says that they are too big."""
    objects: Table = {}
    waiting = [tuple(oids[i : i + chunk]) for i in range(0, len(oids), chunk)]
    while waiting:
        piece = waiting.pop(0)
        answer = await asker.ask(agent, Pdu("get", piece))
        if answer.outcome is Outcome.AGENT_ERROR and "tooBig" in answer.detail and len(piece) > 1:
            half = len(piece) // 2
            waiting[:0] = [piece[:half], piece[half:]]
            continue
        if answer.outcome is not Outcome.OK:
            return Answer(answer.outcome, objects, answer.detail)
        objects.update(answer.objects)
    return Answer(Outcome.OK, objects)


async def walk(asker: Asker, agent: Agent, columns: Iterable[Oid], repetitions: int = 10) -> Answer:
    """Walk columns one after the other; each ends where the agent leaves it.

    An agent whose objects do not strictly increase, or that gives more than MOST_ROWS, is cut off there: what
    came is kept and the detail says so. Repetitions are halved on tooBig or silence, down to 1.
    """
    objects: Table = {}
    detail = ""
    for column in columns:
        at: Oid | None = column
        while at is not None:
            answer = await asker.ask(agent, Pdu("bulk", (at,), repetitions))
            too_much = answer.outcome is Outcome.AGENT_ERROR or (answer.outcome is Outcome.SILENT and objects)
            if too_much and repetitions > 1:
                repetitions //= 2
                continue
            if answer.outcome is not Outcome.OK:
                return Answer(answer.outcome, objects, answer.detail)
            following, why = _take(objects, column, at, answer.objects)
            detail = why or detail
            if len(objects) > MOST_ROWS:
                return Answer(Outcome.OK, objects, f"more than {MOST_ROWS} objects: cut off")
            at = following
    return Answer(Outcome.OK, objects, detail)


def _take(objects: Table, column: Oid, at: Oid, came: Table) -> tuple[Oid | None, str]:
    """Keep what lies in the column; where to go on, or None at its end, and what was wrong."""
    for key, value in came.items():
        if key[: len(column)] != column or isinstance(value, Missing):
            return None, ""
        if key <= at:
            return None, f"objects do not increase after {dotted(at)}: the walk of {dotted(column)} was cut off"
        objects[key] = value
        at = key
    return (at, "") if came else (None, "")
