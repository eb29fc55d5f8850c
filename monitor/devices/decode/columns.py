"""Private columns and scalars, by a datasheet that says which object carries what in which unit."""

import re
from collections.abc import Iterator, Mapping

from monitor.devices.decode.raw import Want, oid, scaled
from monitor.facts import resources
from monitor.facts.readings import Slot
from monitor.plan.datasheets import Column, DeviceSheet


def wants_of_switch(place: str, sheet: DeviceSheet, poe_ports: list[str], index: Mapping[str, int]) -> Iterator[Want]:
    """Columns by port (its number) and by optic (its ifIndex), and scalars of the switch."""
    for column in sheet.columns:
        base = oid(column.oid)
        if column.per == "switch":
            yield _want(column, base, Slot(resources.switch(place), column.quantity))
        elif column.per == "port":
            for port in poe_ports:
                digits = re.search(r"(\d+)$", port)
                if digits:
                    slot = Slot(resources.port(place, port), column.quantity)
                    yield _want(column, (*base, int(digits[1])), slot)
        elif column.per == "optic":
            for port, row in index.items():
                yield _want(column, (*base, row), Slot(resources.optic(place, port), column.quantity))


def wants_of_meter(sheet: DeviceSheet, supplies: Mapping[str, str], feeders: Mapping[str, str]) -> Iterator[Want]:
    """Columns of a DC meter: scalars per supply, and one row per feeder channel. Names → channels."""
    for column in sheet.columns:
        base = oid(column.oid)
        if column.per == "supply":
            for name in supplies:
                yield _want(column, base, Slot(resources.supply(name), column.quantity))
        elif column.per == "feeder":
            for pole, channel in feeders.items():
                yield _want(column, (*base, int(channel)), Slot(resources.feeder(pole), column.quantity))


def _want(column: Column, at: tuple[int, ...], slot: Slot) -> Want:
    return Want(at, slot, scaled(column.scale, tuple(column.absent)))
