"""What a pole draws: its switch, its PoE ports with their cables, by case."""

from monitor.budgets.feeder import ohms_at
from monitor.budgets.poe import PoeBudget, channel_ohms, port_budget, switch_budget
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Load, Pole

BOOST_VOLTS = 54.0
"""What a boost stage puts on its PoE ports: common practice, no source (within 50 to 57 V of 802.3at)."""


def watts_of(load: Load, case: str) -> float:
    """Planned draw [W] of a load at the device: day, night (infrared, heater), start_up. KeyError for another case."""
    night = (load.night_watts if load.night_watts is not None else load.watts) + load.heater_watts
    start = load.start_up_watts if load.start_up_watts is not None else 0.0
    return {"day": load.watts, "night": night, "start_up": max(night, start)}[case]


def port_volts(pole: Pole, input_volts: float) -> float:
    """Volts [V] that the switch puts on its PoE ports: its input, or what its boost stage makes of it."""
    return BOOST_VOLTS if pole.switch.poe_input == "boost" else input_volts


def cable_ohms(load: Load, sheets: Sheets, conductor_c: float) -> float:
    """Loop [Ω] of a load's Ethernet cable at a temperature [°C]; four pairs from class 5 on (IEEE 802.3bt)."""
    sheet = sheets.cables[load.cable]
    ohms_per_km = ohms_at(sheet.ohms_per_km.value, sheet.at_c, conductor_c, sheet.per_c.value)
    return channel_ohms(load.cable_m, load.poe_class >= 5, ohms_per_km)


def poe_of(pole: Pole, sheets: Sheets, case: str, input_volts: float, conductor_c: float) -> PoeBudget:
    """The PoE ports of a pole in a case, at the volts of its input and a temperature of the cables [°C]."""
    ports = []
    for load in pole.loads:
        sheet = sheets.poe_classes[load.poe_class]
        watts = sheet.pd_watts if case == "allocated" else min(watts_of(load, case), sheet.pd_watts)
        volts, ohms = port_volts(pole, input_volts), cable_ohms(load, sheets, conductor_c)
        ports.append(port_budget(load.port, load.name, watts, volts, ohms, load.poe_class, sheet, load.poe_priority))
    return switch_budget(ports, pole.switch.poe_budget_watts)


def pole_watts(pole: Pole, sheets: Sheets, case: str, conductor_c: float, input_volts: float = BOOST_VOLTS) -> float:
    """Watts [W] that a pole's switch draws at its input: itself, its ports, and the loss of a boost stage."""
    poe = min(poe_of(pole, sheets, case, input_volts, conductor_c).total_watts, pole.switch.poe_budget_watts)
    efficiency = pole.switch.poe_efficiency if pole.switch.poe_input == "boost" else 1.0
    return pole.switch.own_watts + poe / efficiency
