"""Checks that a person can make to tell causes apart, with the minutes they take: what is asked next, and why.

A check is a sign that only hands and eyes can read. Times and chances: common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from monitor.alarms.faults import FAULTS
from monitor.facts.words import say


@dataclass(frozen=True, slots=True)
class Check:
    """One check: what to do, how long it takes, and for each fault the chance that the answer is yes."""

    name: str
    words: str
    minutes: float
    yes: Mapping[str, float]
    leak: float = 0.03
    sign: str = ""
    """The sign that it reads, where an instrument could have read it too."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "words", say(self.words))


def _reads(sign: str, words: str, minutes: float) -> Check:
    yes = {fault.name: fault.signs[sign] for fault in FAULTS.values() if sign in fault.signs}
    return Check(sign, words, minutes, yes, 0.02, sign)


CHECKS: Final = (
    _reads("current_gone", "read the feeder's current at the head-end and see whether it is gone", 3),
    _reads("current_high", "read the feeder's current at the head-end and see whether it is high and steady", 3),
    _reads("breaker_open", "look at the feeder's breaker or fuse and see whether it is open", 3),
    _reads("supply_wrong", "measure the supply's output at the head-end and see whether it is wrong", 5),
    _reads("stream_lost", "open the stream in a player and see whether it fails", 3),
    _reads("picture_still", "look at the picture for a minute and see whether it stands still", 2),
    _reads("stranger", "look at the cameras and see whether somebody, or something new, is at the pole", 3),
    _reads("volts_low", "measure the volts at the pole's terminals under load and see whether they are low", 40),
    _reads("loop_rose", "measure the drop across each joint under load and see whether one stands out", 45),
    _reads("tx_fell", "measure the light that leaves the optic and see whether it is too weak", 40),
    _reads("light_unequal", "measure the fibre at two wavelengths and see whether the longer loses more", 45),
    Check(
        "cycling_helps",
        "switch the port off and on once, wait 90 s and see whether the device comes back and stays",
        3,
        {"camera-hung": 0.9, "switch-hang": 0.1, "camera-reboots": 0.1, "mps-absent": 0.5, "address-trouble": 0.1},
    ),
    Check(
        "cleaning_helps",
        "inspect and clean the connectors and see whether the light comes back",
        30,
        {"dirty-connector": 0.9},
    ),
    Check(
        "visible_damage",
        "walk the run and look for signs of digging, vehicles or rodents",
        40,
        {"fibre-cut": 0.6, "cable-cut": 0.85, "fibre-bend": 0.25},
    ),
    Check(
        "connector_at_fault",
        "look at both ends' connectors and see whether one is pulled or loose",
        25,
        {"connector-loose": 0.93, "fibre-cut": 0.35},
    ),
    Check(
        "clears_unplugged",
        "unplug the cable at the pole and see whether the port's fault clears",
        40,
        {"port-short": 0.95, "wet-gland": 0.7, "lightning": 0.3},
    ),
    Check(
        "water_found",
        "open the gland and look for water or green copper",
        40,
        {"wet-gland": 0.93, "corroded-joint": 0.2},
    ),
    Check(
        "feeder_cycle_helps",
        "switch the feeder off and on once and see whether the switch comes back",
        5,
        {"switch-hang": 0.85, "feeder-dead": 0.1, "spanning-tree-flap": 0.1},
    ),
    Check(
        "setting_found",
        "read the camera's settings from the chair and see whether class, duplex, sleep or address is wrong",
        6,
        {
            "class-mismatch": 0.9,
            "duplex-mismatch": 0.9,
            "mps-absent": 0.8,
            "address-trouble": 0.8,
            "camera-service": 0.5,
        },
    ),
    Check("battery_fails_test", "load-test the battery and see whether it fails", 40, {"battery-aged": 0.93}),
    Check("panel_covered", "look at the panel for dirt, snow or shade", 35, {"solar-deficit": 0.6}),
    Check(
        "fuse_blown",
        "measure the panel's volts at the controller and see whether there are none",
        35,
        {"charging-stopped": 0.6},
    ),
    Check(
        "leaks_to_earth",
        "test the insulation of the isolated feeder and see whether it leaks",
        45,
        {"ground-fault": 0.95, "feeder-short": 0.9},
    ),
    Check(
        "wires_exchanged",
        "compare polarity and optics with the plan and see whether something is exchanged",
        40,
        {"reverse-polarity": 0.97, "wrong-optic": 0.93},
    ),
    Check(
        "camera_swapped_works",
        "put a spare camera on the cable and see whether it works",
        45,
        {"camera-reboots": 0.9, "camera-hung": 0.9, "lightning": 0.3},
    ),
    Check(
        "cable_fails_test",
        "test the camera's cable and see whether it fails",
        40,
        {"copper-drop": 0.93, "wet-gland": 0.7, "port-short": 0.5},
    ),
)
"""All checks, cheapest kinds first."""
