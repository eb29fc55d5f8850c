"""One interface for asking SNMP agents: PDUs in, values by object or by slot and an outcome out.

Every implementation gives the same answers; above it stand ``get`` and ``walk``, which know how real agents
behave: tooBig, short replies, tables that loop. Whole rounds, which go by slots, are in ``snmp_round``.
"""

import asyncio
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Literal, Protocol, get_args

from monitor.devices.ask import snmp_ber as ber
from monitor.devices.ask.own import is_ours
from monitor.devices.decode.raw import Missing, Oid, Raw, Table, dotted

Auth = Literal["md5", "sha-1", "sha-224", "sha-256", "sha-384", "sha-512"]
Priv = Literal["des", "aes-128", "aes-192", "aes-256"]
AUTHS: tuple[str, ...] = get_args(Auth)
PRIVS: tuple[str, ...] = get_args(Priv)
MOST_ROWS = 20_000
"""Objects taken from one walk at the most: a switch with 50 ports has some 5,000 in all that we ask."""
WALK_S = 60.0
"""For all answers of a walk together: those 5,000 objects, ten an answer, 0.1 s each."""


class Outcome(Enum):
    """How a question to an agent came out."""

    OK = "ok"
    SILENT = "silent"
    UNASKED = "unasked"
    """We could not ask, or were too late to hear: it says nothing about the device."""
    REFUSED = "refused"
    AGENT_ERROR = "agent error"
    UNDECODABLE = "undecodable"


class Why(Enum):
    """What of an outcome decides how to go on; the ``detail`` beside it is for people."""

    OTHER = "other"
    NO_ANSWER = "no answer"
    """Nothing came at all: it may be our credentials."""
    PORT_CLOSED = "port closed"
    TOO_BIG = "tooBig"
    NO_SUCH_NAME = "noSuchName"
    NOT_DECRYPTED = "not decrypted"
    """An answer that decrypts to noise."""


SILENCE = {Why.NO_ANSWER: "no answer", Why.PORT_CLOSED: "port closed: nothing listens there"}
"""The words of silences."""
_STATUS = {1: "tooBig", 2: "noSuchName", 3: "badValue", 4: "readOnly", 5: "genErr"}
_FORBIDDEN = {6: "noAccess", 16: "authorizationError"}
"""Error status of RFC 3416 section 3."""


_WHY = {1: Why.TOO_BIG, 2: Why.NO_SUCH_NAME}


def complaint(status: int, index: int) -> tuple[Outcome, str, Why]:
    """What an agent's error status means: how the question came out, in words, and what to go by.

    >>> complaint(1, 0)
    (<Outcome.AGENT_ERROR: 'agent error'>, 'tooBig at object 0', <Why.TOO_BIG: 'tooBig'>)
    """
    if status in _FORBIDDEN:
        return Outcome.REFUSED, f"{_FORBIDDEN[status]}: the agent does not let us see these objects", Why.OTHER
    words = f"{_STATUS.get(status, f'error {status}')} at object {index}"
    return Outcome.AGENT_ERROR, words, _WHY.get(status, Why.OTHER)


def outcome_of(error: BaseException) -> Outcome:
    """How a question came out that an error of the system has ended."""
    return Outcome.UNASKED if is_ours(error) else Outcome.SILENT


@dataclass(frozen=True, slots=True)
class Community:
    """SNMP v2c or v1. The word itself never shows in a log or an error."""

    word: str = field(repr=False)
    version: Literal[1, 2] = 2


@dataclass(frozen=True, slots=True)
class User:
    """SNMP v3 authPriv: user, protocols and passwords; the passwords never show."""

    name: str
    auth_password: str = field(repr=False)
    priv_password: str = field(repr=False)
    auth: Auth = "sha-256"
    priv: Priv = "aes-128"

    @property
    def weak(self) -> bool:
        """MD5 and DES are broken (RFC 6151, NIST SP 800-131A): such a user is asked, and warned of."""
        return self.auth == "md5" or self.priv == "des"


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
    """One question: a GET of objects, or a GETBULK of columns, the first ``non_repeaters`` of them once only.

    Version 1 has no GETBULK: there an agent is asked for the next of each column.
    """

    kind: Literal["get", "bulk"]
    oids: tuple[Oid, ...]
    repetitions: int = 0
    non_repeaters: int = 0
    body: bytes = field(init=False, compare=False, repr=False)
    """Its octets after the request id, made once: most PDUs are sent for years."""

    def __post_init__(self) -> None:
        numbers = (self.non_repeaters, self.repetitions) if self.kind == "bulk" else (0, 0)
        object.__setattr__(self, "body", b"".join((*map(ber.number, numbers), ber.question(self.oids))))

    @property
    def expected(self) -> int:
        """Varbinds of a whole answer."""
        return self.non_repeaters + (len(self.oids) - self.non_repeaters) * max(1, self.repetitions)

    def without(self, oid: Oid) -> "Pdu":
        """The same question without one object."""
        return Pdu(self.kind, tuple(one for one in self.oids if one != oid), self.repetitions, self.non_repeaters)


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back: objects in the order in which the agent gave them, and how it came out."""

    outcome: Outcome
    objects: Table = field(default_factory=dict)
    detail: str = ""
    why: Why = Why.OTHER
    at: int = 0
    """The object that an agent's error is about, counted from 1; 0 where it names none."""


@dataclass(frozen=True, slots=True)
class Ran:
    """How a list of PDUs came out, and how many of them were answered."""

    outcome: Outcome
    answered: int
    detail: str = ""
    why: Why = Why.OTHER


class Asker(Protocol):
    """What implementations give. One PDU is under way per call; ``snmp_turns`` sees to one per agent."""

    @property
    def rejected(self) -> Mapping[str, int]:
        """Messages that were not believed, by reason."""
        ...

    def engine_ids(self) -> set[bytes]:
        """SNMP v3 engines that have been met."""
        ...

    async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
        """Send one PDU and wait for its answer; never raises for what an agent or the network does."""
        ...

    async def run(self, agent: Agent, pdus: Sequence[Pdu], slots: Mapping[bytes, int], values: list[Raw | None]) -> Ran:
        """Send PDUs one after the other, up to the first that does not come out well.

        The value of an object that ``slots`` names (by ``snmp_ber.key``) is put into its place in ``values``.
        """
        ...

    def close(self) -> None:
        """Give sockets and tasks back."""
        ...


async def run_by_asking(
    asker: Asker, agent: Agent, pdus: Sequence[Pdu], slots: Mapping[bytes, int], values: list[Raw | None]
) -> Ran:
    """``run`` for an implementation that only knows how to ``ask``."""
    for answered, pdu in enumerate(pdus):
        answer = await asker.ask(agent, pdu)
        if answer.outcome is not Outcome.OK:
            return Ran(answer.outcome, answered, answer.detail, answer.why)
        for oid, raw in answer.objects.items():
            slot = slots.get(ber.key(oid))
            if slot is not None and raw is not Missing.END_OF_MIB_VIEW:
                values[slot] = raw
    return Ran(Outcome.OK, len(pdus))


async def get(asker: Asker, agent: Agent, oids: Sequence[Oid], chunk: int = 30) -> Answer:
    """GET many objects, in pieces that are halved where the agent says that they are too big."""
    objects: Table = {}
    waiting = [tuple(oids[i : i + chunk]) for i in range(0, len(oids), chunk)]
    while waiting:
        piece = waiting.pop(0)
        answer = await asker.ask(agent, Pdu("get", piece))
        if answer.outcome is Outcome.AGENT_ERROR and answer.why is Why.TOO_BIG and len(piece) > 1:
            half = len(piece) // 2
            waiting[:0] = [piece[:half], piece[half:]]
            continue
        if answer.outcome is not Outcome.OK:
            return Answer(answer.outcome, objects, answer.detail)
        objects.update(answer.objects)
    return Answer(Outcome.OK, objects)


async def walk(
    asker: Asker, agent: Agent, columns: Iterable[Oid], repetitions: int = 10, whole_s: float = WALK_S
) -> Answer:
    """Walk columns one after the other; each ends where the agent leaves it.

    An agent whose objects do not strictly increase, or that gives more than MOST_ROWS, is cut off there: what
    came is kept and the detail says so. Repetitions are halved on tooBig or silence, down to 1. An agent that has
    not come to an end after ``whole_s`` counts as silent: half a table must not be taken for the whole.
    """
    objects: Table = {}
    try:
        async with asyncio.timeout(whole_s):
            return await _walked(asker, agent, columns, repetitions, objects)
    except TimeoutError:
        return Answer(Outcome.SILENT, objects, f"all its answers together took longer than {whole_s:g} s")


async def _walked(asker: Asker, agent: Agent, columns: Iterable[Oid], repetitions: int, objects: Table) -> Answer:
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
