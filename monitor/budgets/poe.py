"""Power over the Ethernet cable: what a port must give so that its device gets its watts."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from monitor.budgets.feeder import constant_power_volts
from monitor.budgets.protection import Finding
from monitor.budgets.terms import Term, need
from monitor.plan.datasheets import PoeClassSheet


def channel_ohms(cable_m: float, four_pairs: bool, conductor_ohms_per_km: float) -> float:
    """Loop resistance [Ω] that PoE sees over a cable [m] of so many Ω per km of one conductor.

    Two pairs: each leg is two conductors in parallel, so the loop is ONE conductor's resistance; four pairs:
    half of that. Source: IEEE 802.3-2018 33.1.4 (12.5 Ω for 100 m of type 2), 145.1.3. Valid to 200 m.

    >>> channel_ohms(100, False, 125)
    12.5
    """
    need("cable", cable_m, 0, 200, "m")
    loop = conductor_ohms_per_km * cable_m / 1000
    return loop / 2 if four_pairs else loop


def port_watts(device_watts: float, port_volts: float, ohms: float) -> float:
    """Watts that a port [V] gives so that a device behind a channel [Ω] gets its watts.

    P_port = V_port·P/V, with V from the constant-power loop. Source: Kirchhoff; P_PD = P − (P/V)²·R holds
    for every class of IEEE 802.3 within 0.07 W. Raises Collapse where the channel cannot carry it.

    >>> round(port_watts(25.5, 50, 12.5), 1)
    30.0
    """
    return port_volts * device_watts / constant_power_volts(port_volts, device_watts, ohms)


LEAST_PORT_VOLTS: Final = {1: 44.0, 2: 50.0, 3: 50.0, 4: 52.0}
"""Least volts at a port by PoE type: IEEE 802.3-2018 table 33-11 and 802.3bt table 145-16, as in device manuals."""
_ORDER = ("critical", "high", "low")


@dataclass(frozen=True, slots=True)
class PortBudget:
    """One PoE port by its load: watts at the device, at the port, the class limit; loop of its cable [Ω]."""

    port: str
    load: str
    poe_class: int
    type: int
    priority: str
    port_volts: float
    cable_ohms: float
    device_watts: float
    port_watts: float
    limit_watts: Term

    @property
    def lost_watts(self) -> float:
        """What the cable turns into heat."""
        return self.port_watts - self.device_watts

    @property
    def margin_watts(self) -> float:
        """What the class still allows at the port."""
        return self.limit_watts.value - self.port_watts


@dataclass(frozen=True, slots=True)
class PoeBudget:
    """All PoE ports of a switch against what it can give."""

    ports: tuple[PortBudget, ...]
    budget_watts: Term

    @property
    def total_watts(self) -> float:
        """Sum over the ports at their highest planned draw."""
        return sum(port.port_watts for port in self.ports)

    @property
    def allocated_watts(self) -> float:
        """Sum of the class limits: what the loads may ask for."""
        return sum(port.limit_watts.value for port in self.ports)

    @property
    def margin_watts(self) -> float:
        """What the switch can still give at the highest planned draw."""
        return self.budget_watts.value - self.total_watts

    @property
    def start_order(self) -> tuple[str, ...]:
        """Ports in the order in which they get power: by priority (RFC 3621), then by number."""
        by = sorted(self.ports, key=lambda port: (_ORDER.index(port.priority), len(port.port), port.port))
        return tuple(port.port for port in by)

    @property
    def denied(self) -> tuple[str, ...]:
        """Ports that get no power where the switch sets aside each class limit; the first to be denied comes first."""
        left, refused = self.budget_watts.value, []
        for name in self.start_order:
            wanted = next(port.limit_watts.value for port in self.ports if port.port == name)
            if wanted <= left:
                left -= wanted
            else:
                refused.append(name)
        return tuple(reversed(refused))

    @property
    def denied_first(self) -> str | None:
        """The port that goes off first when power runs short: the last in the start order."""
        return self.start_order[-1] if self.ports else None


def switch_budget(ports: Sequence[PortBudget], budget_watts: float) -> PoeBudget:
    """The PoE budget [W] of a switch with these ports."""
    return PoeBudget(tuple(ports), Term("PoE budget of the switch", budget_watts, "W", "the plan"))


def port_budget(
    port: str,
    load: str,
    device_watts: float,
    port_volts: float,
    cable_ohms: float,
    poe_class: int,
    sheet: PoeClassSheet,
    priority: str = "low",
) -> PortBudget:
    """One port: its device's watts, the port's volts, the loop of its cable [Ω] and the class."""
    limit = Term(f"class {poe_class} at the port", sheet.pse_watts, "W", sheet.source)
    watts = port_watts(device_watts, port_volts, cable_ohms)
    return PortBudget(port, load, poe_class, sheet.type, priority, port_volts, cable_ohms, device_watts, watts, limit)


def port_volts_finding(port: PortBudget, input_volts: float) -> Finding:
    """A switch that passes its input through cannot serve a port whose type needs more volts."""
    least = LEAST_PORT_VOLTS[port.type]
    sentence = (
        f"port {port.port} ({port.load}) is of type {port.type} and needs at least {least:g} V; the switch passes "
        f"its input through, at the least {input_volts:.1f} V"
    )
    return Finding("port volts too low", input_volts < least, sentence)
