"""IF-MIB (RFC 2863): which row is which port, its state, speed and counters; and sysUpTime (RFC 3418)."""

import re
from collections.abc import Iterable, Iterator, Mapping

from monitor.devices.decode.raw import Oid, Raw, Table, Want, number, oid, rows, scaled, text
from monitor.facts import resources
from monitor.facts.readings import Slot

SYS_UPTIME = oid("1.3.6.1.2.1.1.3.0")
SYS_NAME = oid("1.3.6.1.2.1.1.5.0")
IF_DESCR = oid("1.3.6.1.2.1.2.2.1.2")
IF_TYPE = oid("1.3.6.1.2.1.2.2.1.3")
IF_OPER_STATUS = oid("1.3.6.1.2.1.2.2.1.8")
IF_IN_ERRORS = oid("1.3.6.1.2.1.2.2.1.14")
IF_OUT_DISCARDS = oid("1.3.6.1.2.1.2.2.1.19")
IF_NAME = oid("1.3.6.1.2.1.31.1.1.1.1")
IF_HC_IN_OCTETS = oid("1.3.6.1.2.1.31.1.1.1.6")
IF_HC_OUT_OCTETS = oid("1.3.6.1.2.1.31.1.1.1.10")
IF_HIGH_SPEED = oid("1.3.6.1.2.1.31.1.1.1.15")

LEARN: tuple[Oid, ...] = (IF_NAME, IF_DESCR, IF_TYPE)
_LOOPBACK = 24


def port_rows(table: Table, ports: Iterable[str], pattern: str) -> dict[str, int]:
    """Port of the plan → ifIndex, by ifName, then ifDescr, then the only name that ends in the port's number.

    ``pattern`` is how the device writes a port's name, e.g. ``port{port}``. A port that cannot be told for
    sure is left out: asking a wrong row would be worse than asking none.

    >>> names = {IF_NAME + (1,): b"port1", IF_NAME + (7,): b"sfp5"}
    >>> port_rows(names, ["1", "5", "9"], "port{port}")
    {'1': 1, '5': 7}
    """
    by_name: dict[str, int] = {}
    types = rows(table, IF_TYPE)
    for column in (IF_DESCR, IF_NAME):
        for index, raw in rows(table, column).items():
            if types.get(index) != _LOOPBACK:
                by_name[text(raw)] = index[-1]
    found: dict[str, int] = {}
    for port in ports:
        for name in (pattern.format(port=port), port):
            if name in by_name:
                found[port] = by_name[name]
                break
        else:
            ending = {index for name, index in by_name.items() if _number_at_end(name) == _number_at_end(port)}
            if len(ending) == 1 and _number_at_end(port) is not None:
                found[port] = ending.pop()
    return found


def _number_at_end(name: str) -> int | None:
    digits = re.search(r"(\d+)$", name)
    return int(digits[1]) if digits else None


def wants(place: str, index: Mapping[str, int]) -> Iterator[Want]:
    """State, speed, octets, errors and discards of ports."""
    columns = (
        (IF_HIGH_SPEED, "speed_megabits_per_s"),
        (IF_HC_IN_OCTETS, "in_octets"),
        (IF_HC_OUT_OCTETS, "out_octets"),
        (IF_IN_ERRORS, "in_error_frames"),
        (IF_OUT_DISCARDS, "out_discard_frames"),
    )
    for port, row in index.items():
        for column, quantity in columns:
            yield Want((*column, row), Slot(resources.port(place, port), quantity), _counter)


def states(place: str, index: Mapping[str, int], ports: Iterable[str]) -> Iterator[Want]:
    """Link states of some ports, and the agent's uptime: what a reachability round asks."""
    yield Want(SYS_UPTIME, Slot(resources.switch(place), "uptime_seconds"), scaled(0.01))
    for port in ports:
        if port in index:
            yield Want((*IF_OPER_STATUS, index[port]), Slot(resources.port(place, port), "link_state"), number)


def _counter(raw: Raw) -> float:
    value = number(raw)
    # Some agents code a Counter64 with its top bit set and no leading zero: it then reads negative.
    return value + 2.0**64 if value < 0 else value
