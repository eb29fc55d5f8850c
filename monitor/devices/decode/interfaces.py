"""IF-MIB (RFC 2863): which row is which port, its state, speed and counters; and sysUpTime (RFC 3418)."""

import re
from collections.abc import Iterable, Iterator, Mapping

from monitor.devices.decode.kinds import (
    TRUTH,
    Known,
    address,
    counted,
    enumerated,
    measured,
    named_states,
    printable,
    ticks,
)
from monitor.devices.decode.raw import Oid, Raw, Table, Want, number, oid, rows, scaled, text
from monitor.facts import resources
from monitor.facts.readings import Slot
from monitor.facts.states import IfAdminStatus, IfOperStatus, IfType

SYS_UPTIME = oid("1.3.6.1.2.1.1.3.0")
SYS_NAME = oid("1.3.6.1.2.1.1.5.0")
ENTRY, X_ENTRY = oid("1.3.6.1.2.1.2.2.1"), oid("1.3.6.1.2.1.31.1.1.1")
TABLE_CHANGED = oid("1.3.6.1.2.1.31.1.5.0")
IF_DESCR = (*ENTRY, 2)
IF_TYPE = (*ENTRY, 3)
IF_PHYS_ADDRESS = (*ENTRY, 6)
IF_OPER_STATUS = (*ENTRY, 8)
IF_NAME = (*X_ENTRY, 1)
IF_HC_IN_OCTETS = (*X_ENTRY, 6)

LEARN: tuple[Oid, ...] = (IF_NAME, IF_DESCR, IF_TYPE, IF_HC_IN_OCTETS)
_MOST_PORTS = 64
_WIDE = (((*X_ENTRY, 6), "in_octets"), ((*X_ENTRY, 10), "out_octets"))
_NARROW = (((*ENTRY, 10), "narrow_in_octets"), ((*ENTRY, 16), "narrow_out_octets"))
"""Octet counters of 64 bits, and of 32 bits for agents that have no others: RFC 2863 section 3.1.6."""
_COUNTERS = (
    ((*ENTRY, 13), "in_discard_frames"),
    ((*ENTRY, 14), "in_error_frames"),
    ((*ENTRY, 19), "out_discard_frames"),
    ((*ENTRY, 20), "out_error_frames"),
    ((*X_ENTRY, 3), "in_broadcast_frames"),
)
_SPEED, _DISCONTINUITY = (*X_ENTRY, 15), (*X_ENTRY, 19)


def port_label(index: Oid, table: Table) -> str:
    """A row's ifName, else its ifDescr, else its number."""
    for column in (IF_NAME, IF_DESCR):
        raw = table.get((*column, *index))
        if isinstance(raw, bytes) and text(raw):
            return text(raw)
    return ".".join(map(str, index))


def _known(entry: Oid, counters: Mapping[int, str]) -> Iterator[Known]:
    return (Known((*entry, column), name, counted, port_label) for column, name in counters.items())


KNOWN = (
    Known((1, 3, 6, 1, 2, 1, 2, 1), "ifNumber", measured()),
    Known((*ENTRY, 1), "ifIndex", measured(), port_label),
    Known(IF_DESCR, "ifDescr", printable, port_label),
    Known(IF_TYPE, "ifType", measured(), port_label),
    Known((*ENTRY, 4), "ifMtu", measured("octets"), port_label),
    Known((*ENTRY, 5), "ifSpeed", measured("bit/s"), port_label),
    Known(IF_PHYS_ADDRESS, "ifPhysAddress", address, port_label),
    Known((*ENTRY, 7), "ifAdminStatus", named_states(IfAdminStatus), port_label),
    Known(IF_OPER_STATUS, "ifOperStatus", named_states(IfOperStatus), port_label),
    Known((*ENTRY, 9), "ifLastChange", ticks, port_label),
    *_known(
        ENTRY,
        {
            10: "ifInOctets",
            11: "ifInUcastPkts",
            12: "ifInNUcastPkts",
            13: "ifInDiscards",
            14: "ifInErrors",
            15: "ifInUnknownProtos",
            16: "ifOutOctets",
            17: "ifOutUcastPkts",
            18: "ifOutNUcastPkts",
            19: "ifOutDiscards",
            20: "ifOutErrors",
            21: "ifOutQLen",
        },
    ),
    Known(IF_NAME, "ifName", printable, port_label),
    *_known(
        X_ENTRY,
        {
            2: "ifInMulticastPkts",
            3: "ifInBroadcastPkts",
            4: "ifOutMulticastPkts",
            5: "ifOutBroadcastPkts",
            6: "ifHCInOctets",
            7: "ifHCInUcastPkts",
            8: "ifHCInMulticastPkts",
            9: "ifHCInBroadcastPkts",
            10: "ifHCOutOctets",
            11: "ifHCOutUcastPkts",
            12: "ifHCOutMulticastPkts",
            13: "ifHCOutBroadcastPkts",
        },
    ),
    Known((*X_ENTRY, 14), "ifLinkUpDownTrapEnable", enumerated({1: "enabled", 2: "disabled"}), port_label),
    Known(_SPEED, "ifHighSpeed", measured("Mb/s"), port_label),
    Known((*X_ENTRY, 16), "ifPromiscuousMode", TRUTH, port_label),
    Known((*X_ENTRY, 17), "ifConnectorPresent", TRUTH, port_label),
    Known((*X_ENTRY, 18), "ifAlias", printable, port_label),
    Known(_DISCONTINUITY, "ifCounterDiscontinuityTime", ticks, port_label),
    Known(TABLE_CHANGED[:-1], "ifTableLastChange", ticks),
)


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
            if types.get(index) != IfType.SOFTWARE_LOOPBACK:
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


def all_ports(table: Table, planned: Mapping[str, int], pattern: str) -> dict[str, int]:
    """Every Ethernet port: the plan's, and the others by their own names; no more than MOST_PORTS.

    What happens at a port that the plan does not use matters as well: somebody may have plugged something in.

    >>> table = {IF_TYPE + (1,): 6, IF_NAME + (1,): b"port1", IF_TYPE + (2,): 6, IF_NAME + (2,): b"Gi0/2"}
    >>> all_ports(table, {"1": 1}, "port{port}")
    {'1': 1, 'Gi0.2': 2}
    """
    found, taken = dict(planned), set(planned.values())
    before, _, after = pattern.partition("{port}")
    for index, kind in rows(table, IF_TYPE).items():
        if kind != IfType.ETHERNET_CSMACD or len(index) != 1 or index[0] in taken or len(found) >= _MOST_PORTS:
            continue
        name = port_label(index, table)
        own = name.removeprefix(before).removesuffix(after) or name
        found.setdefault(own.replace("/", ".").replace(" ", "-"), index[0])
    return found


def wants(place: str, index: Mapping[str, int], table: Table) -> Iterator[Want]:
    """Speed, octets, errors, discards and broadcasts of ports, and since when their counters run."""
    for port, row in index.items():
        resource = resources.port(place, port)
        yield Want((*_SPEED, row), Slot(resource, "speed_megabits_per_s"), number)
        wide = isinstance(table.get((*IF_HC_IN_OCTETS, row)), int)
        for column, quantity in (*(_WIDE if wide else _NARROW), *_COUNTERS):
            yield Want((*column, row), Slot(resource, quantity), _counter)
        yield Want((*_DISCONTINUITY, row), Slot(resource, "counters_since_seconds"), scaled(0.01))


def states(place: str, index: Mapping[str, int], ports: Iterable[str]) -> Iterator[Want]:
    """Link states of some ports, and the agent's uptime: what a reachability round asks."""
    yield Want(SYS_UPTIME, Slot(resources.switch(place), "uptime_seconds"), scaled(0.01))
    for port in ports:
        if port in index:
            yield Want((*IF_OPER_STATUS, index[port]), Slot(resources.port(place, port), "link_state"), number)


def tables(place: str) -> Iterator[Want]:
    """When the port table last changed: rows may then have other numbers."""
    yield Want(TABLE_CHANGED, Slot(resources.switch(place), "table_changed_seconds"), scaled(0.01))


def _counter(raw: Raw) -> float:
    value = number(raw)
    # Some agents code a Counter64 with its top bit set and no leading zero: it then reads negative.
    return value + 2.0**64 if value < 0 else value
