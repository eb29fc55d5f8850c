"""Power over the Ethernet cable: what a port must give so that its device gets its watts."""

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.budgets.feeder import constant_power_volts
from monitor.budgets.terms import Term, need
from monitor.plan.datasheets import PoeClassSheet

CATEGORY_5_OHMS_PER_KM = 93.8
"""One conductor of a category 5e cable at 20 °C: 9.38 Ω per 100 m, TIA-568-C.2 (from memory)."""


def channel_ohms(cable_m: float, four_pairs: bool, conductor_ohms_per_km: float = CATEGORY_5_OHMS_PER_KM) -> float:
    """Loop resistance [Ω] that PoE sees over a cable [m].

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


@dataclass(frozen=True, slots=True)
class PortBudget:
    """One PoE port by its load: watts at the device, lost in the cable, at the port, and the class limit."""

    port: str
    load: str
    poe_class: int
    device_watts: float
    port_watts: float
    limit_watts: Term

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


def switch_budget(ports: Sequence[PortBudget], budget_watts: float) -> PoeBudget:
    """The PoE budget [W] of a switch with these ports."""
    return PoeBudget(tuple(ports), Term("PoE budget of the switch", budget_watts, "W", "the plan"))


def port_budget(
    port: str, load: str, device_watts: float, port_volts: float, cable_m: float, poe_class: int, sheet: PoeClassSheet
) -> PortBudget:
    """One port: its device's watts, the cable [m], the port's volts and the class limit."""
    ohms = channel_ohms(cable_m, four_pairs=poe_class >= 5)
    limit = Term(f"class {poe_class} at the port", sheet.pse_watts, "W", sheet.source)
    return PortBudget(port, load, poe_class, device_watts, port_watts(device_watts, port_volts, ohms), limit)
