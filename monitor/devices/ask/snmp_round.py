"""A device's round over SNMP: few PDUs that carry all that is wanted, and values by slot.

Where the rows of a table are known, several columns travel in one GETBULK with exact repetitions, and scalars
with them as non-repeaters: twelve PDUs carry what takes 590 questions for the next object. What an answer left
out is asked for by name. An answer that was too big, cut short or never came makes the next round's PDUs half
as big.
"""

import asyncio
from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field

from monitor.devices.ask.snmp import Agent, Asker, Outcome, Pdu, Ran, Why
from monitor.devices.ask.snmp_ber import encoded, key
from monitor.devices.decode.raw import Missing, Oid, Raw, Unread

MOST_OCTETS = 1200
"""Size to which an answer is planned: below the 1,472 octets that one Ethernet frame carries over UDP."""
LEAST_OCTETS = 150
_MOST_REPETITIONS = 100
WHOLE_S = 20.0
"""For all PDUs of a round together: twelve, each answered a second late, and some of them asked twice."""
_VALUE_OCTETS = 6
"""Tag, length and contents of a usual counter; what turns out larger is cut short by the agent and asked again."""


@dataclass(frozen=True, slots=True)
class Shape:
    """What is wanted, the PDUs that fetch it, and the place of each object's value.

    ``blank`` are the values before anything came: None, or that the agent lacks what is not asked this time.
    """

    oids: tuple[Oid, ...]
    pdus: tuple[Pdu, ...]
    slots: dict[bytes, int] = field(repr=False)
    blank: tuple[Missing | None, ...] = field(repr=False)
    most_octets: int = MOST_OCTETS


@dataclass(frozen=True, slots=True)
class Came:
    """A round's values, each in the place of its object, None where nothing came; and how the round came out.

    ``cut`` says that an answer did not hold what it was planned to: the next round's should be smaller.
    """

    outcome: Outcome
    values: list[Raw | None]
    detail: str = ""
    cut: bool = False
    pdus: int = 0


def shape(
    oids: Sequence[Oid],
    rows: Mapping[Oid, Sequence[Oid]],
    most_octets: int = MOST_OCTETS,
    lacking: AbstractSet[Oid] = frozenset(),
) -> Shape:
    """Plan the PDUs for these objects, each of which is named once.

    ``rows`` is table entry → the indexes of its rows, in the agent's order. What the agent is known to lack is
    not asked.
    """
    left = {oid: None for oid in oids if oid not in lacking}
    pdus: list[Pdu] = []
    for entry, indexes in rows.items():
        for group in _columns(entry, left, indexes):
            pdus += _bulks(entry, *group, indexes, most_octets)
            for oid in ((*entry, column, *indexes[i]) for column in group[0] for i in group[1]):
                left.pop(oid, None)
    pdus.sort(key=_octets)
    if pdus and left:
        least = pdus[0]
        room = max(0, most_octets - _octets(least)) // (_each(max(left, key=len)) + _VALUE_OCTETS + 1)
        along = tuple(left)[:room]
        pdus[0] = Pdu("bulk", (*map(_just_before, along), *least.oids), least.repetitions, len(along))
        for oid in along:
            del left[oid]
    pdus += _gets(tuple(left), most_octets)
    slots = {key(oid): i for i, oid in enumerate(oids)}
    blank = tuple(Missing.NO_SUCH_INSTANCE if oid in lacking else None for oid in oids)
    return Shape(tuple(oids), tuple(pdus), slots, blank, most_octets)


def _just_before(oid: Oid) -> Oid:
    """The name after which the next object is this one, if the agent has it."""
    return (*oid[:-1], oid[-1] - 1) if oid[-1] else oid[:-1]


def _each(oid: Oid) -> int:
    return len(encoded(oid)) + 4


def _octets(pdu: Pdu) -> int:
    repeated = pdu.oids[pdu.non_repeaters :]
    return sum(_each(oid) + _VALUE_OCTETS + 1 for oid in repeated) * max(1, pdu.repetitions)


def _columns(entry: Oid, left: Mapping[Oid, None], indexes: Sequence[Oid]) -> list[tuple[list[int], range]]:
    """Columns of a table that are wanted in the same run of rows: [(columns, positions of the rows)].

    A run bridges rows that are not wanted where they are fewer than the wanted ones; what stands alone is left
    to GET.
    """
    position = {index: i for i, index in enumerate(indexes)}
    by_column: dict[int, list[int]] = {}
    n = len(entry)
    for oid in left:
        if oid[:n] == entry and len(oid) > n + 1 and oid[n + 1 :] in position:
            by_column.setdefault(oid[n], []).append(position[oid[n + 1 :]])
    runs: dict[range, list[int]] = {}
    for column, at in sorted(by_column.items()):
        first, last = min(at), max(at)
        if len(at) > 2 and 2 * len(at) > last - first + 1:
            runs.setdefault(range(first, last + 1), []).append(column)
    return [(columns, run) for run, columns in runs.items()]


def _bulks(entry: Oid, columns: list[int], run: range, indexes: Sequence[Oid], most_octets: int) -> list[Pdu]:
    """As few GETBULKs as carry these columns over this run of rows."""
    each = _each((*entry, columns[-1], *indexes[run[-1]])) + _VALUE_OCTETS
    most = max(1, most_octets // each)
    best: tuple[int, int, int] | None = None
    for parts in range(1, len(run) + 1):
        rows = -(-len(run) // parts)
        across = min(len(columns), most // rows)
        if across and rows <= _MOST_REPETITIONS:
            pdus = parts * -(-len(columns) // across)
            if best is None or pdus < best[0]:
                best = (pdus, rows, across)
    _, rows, across = best or (0, 1, 1)
    made = []
    for start in range(run.start, run.stop, rows):
        before = indexes[start - 1] if start else ()
        for k in range(0, len(columns), across):
            oids = tuple((*entry, column, *before) for column in columns[k : k + across])
            made.append(Pdu("bulk", oids, min(rows, run.stop - start)))
    return made


def _gets(oids: Sequence[Oid], most_octets: int) -> list[Pdu]:
    made: list[Pdu] = []
    piece: list[Oid] = []
    size = 0
    for oid in oids:
        each = _each(oid) + _VALUE_OCTETS + 1
        if piece and (size + each > most_octets or len(piece) >= 60):
            made.append(Pdu("get", tuple(piece)))
            piece, size = [], 0
        piece.append(oid)
        size += each
    return [*made, Pdu("get", tuple(piece))] if piece else made


async def fetch(asker: Asker, agent: Agent, planned: Shape, whole_s: float = WHOLE_S) -> Came:
    """Fetch a round: its PDUs, then by name what they did not bring; after ``whole_s``, what has come by then."""
    values: list[Raw | None] = list(planned.blank)
    try:
        async with asyncio.timeout(whole_s):
            return await _fetched(asker, agent, planned, values)
    except TimeoutError:
        came = any(raw is not before for raw, before in zip(values, planned.blank, strict=True))
        why = f"all its answers together took longer than {whole_s:g} s"
        return Came(Outcome.OK if came else Outcome.SILENT, values, why)


async def _fetched(asker: Asker, agent: Agent, planned: Shape, values: list[Raw | None]) -> Came:
    waiting, sent, cut = planned.pdus, 0, False
    while waiting:
        ran = await asker.run(agent, waiting, planned.slots, values)
        sent += ran.answered
        if ran.outcome is Outcome.OK:
            break
        stopped_at, rest = waiting[ran.answered], waiting[ran.answered + 1 :]
        if not await _goes_on(asker, agent, stopped_at, ran, sent):
            return Came(ran.outcome, values, ran.detail, cut, sent)
        sent, cut, waiting = sent + 1, True, rest
    return await _by_name(asker, agent, planned, values, cut, sent)


async def _goes_on(asker: Asker, agent: Agent, pdu: Pdu, ran: Ran, sent: int) -> bool:
    """Is it the PDU that was too much, and not the agent that is gone? Then its objects are asked for by name."""
    if ran.outcome is Outcome.AGENT_ERROR:
        return pdu.expected > 1
    if ran.outcome is not Outcome.SILENT or pdu.expected < 10 or ran.why is Why.PORT_CLOSED:
        return False
    if not sent and agent.retries == 0:
        return False  # it was silent already, or there is a hurry
    small = await asker.run(agent, [Pdu("get", (_SYS_UPTIME,))], {}, [])
    return small.outcome in (Outcome.OK, Outcome.AGENT_ERROR)


_SYS_UPTIME: Oid = (1, 3, 6, 1, 2, 1, 1, 3, 0)


async def _by_name(asker: Asker, agent: Agent, planned: Shape, values: list[Raw | None], cut: bool, sent: int) -> Came:
    missing = [oid for oid, raw in zip(planned.oids, values, strict=True) if raw is None] if None in values else []
    waiting = _gets(missing, planned.most_octets)
    while waiting:
        pdu = waiting.pop(0)
        ran = await asker.run(agent, [pdu], planned.slots, values)
        sent += 1
        half = len(pdu.oids) // 2
        if ran.outcome is Outcome.AGENT_ERROR and half:
            waiting[:0] = [Pdu("get", pdu.oids[:half]), Pdu("get", pdu.oids[half:])]
        elif ran.outcome is Outcome.AGENT_ERROR:
            values[planned.slots[key(pdu.oids[0])]] = Unread(0, b"", f"the agent answered {ran.detail}")
        elif ran.outcome is not Outcome.OK:
            came = any(raw is not None for raw in values)
            return Came(Outcome.OK if came else ran.outcome, values, ran.detail, True, sent)
    late = [values[planned.slots[key(oid)]] for oid in missing]
    cut |= any(raw is not None and not isinstance(raw, Missing) for raw in late)
    return Came(Outcome.OK, values, "", cut, sent)
