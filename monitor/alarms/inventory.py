"""The alarm types: what each means, its probable cause after ITU-T X.733, what to do, and its delays."""

from dataclasses import dataclass
from typing import Final

from monitor.alarms.states import Severity


@dataclass(frozen=True, slots=True)
class AlarmType:
    """One kind of alarm. Delays count consecutive rounds (ISA-18.2 on-delay and off-delay)."""

    name: str
    meaning: str
    probable_cause: str
    to_do: str
    severity: Severity
    on_rounds: int = 2
    off_rounds: int = 2


_ALL: Final = (
    AlarmType(
        "pole-silent",
        "nothing on the pole answers any more: neither its switch nor any load",
        "unavailable",
        "read the cause: it says what most probably happened and what to take along",
        Severity.CRITICAL,
        on_rounds=1,
        off_rounds=1,
    ),
    AlarmType(
        "supply-lost",
        "all poles of one supply fell silent together",
        "powerProblem",
        "stay home first: look at the supply, its fuses and the mains at the head-end",
        Severity.CRITICAL,
        on_rounds=1,
        off_rounds=1,
    ),
    AlarmType(
        "head-end-silent",
        "neither the head-end switch nor any pole answers",
        "unavailable",
        "stay home first: look at the head-end switch and this box's own network lead",
        Severity.CRITICAL,
        on_rounds=1,
        off_rounds=1,
    ),
    AlarmType(
        "agent-silent",
        "the switch does not answer farpole, though loads behind it do",
        "unavailable",
        "no trip: the switch forwards; check that SNMP is on, else restart it at a good time",
        Severity.MINOR,
        on_rounds=4,
    ),
    AlarmType(
        "credentials-refused",
        "the device is there and refuses the name or password that farpole uses",
        "unauthorizedAccessAttempt",
        "compare the secrets file with the device's settings",
        Severity.MAJOR,
    ),
    AlarmType(
        "load-silent",
        "a camera or other load does not answer, while its pole does",
        "unavailable",
        "look at its port's watts first: none is the cable or the device's power, some is its software",
        Severity.MAJOR,
        on_rounds=3,
    ),
    AlarmType(
        "service-refused",
        "a load answers and refuses the connection that it should take",
        "softwareError",
        "restart the load; a camera's stream service has died",
        Severity.MINOR,
        on_rounds=3,
    ),
    AlarmType(
        "battery-low",
        "a battery is near the point at which its controller cuts the pole off",
        "powerProblem",
        "shed load from the chair; look at panel, fuse and charge current: the pole goes dark when this goes on",
        Severity.MAJOR,
    ),
    AlarmType(
        "stream-broken",
        "a camera answers and its stream cannot be had",
        "softwareError",
        "read how far it comes; its service has died or its settings differ from the plan: cycle its port once",
        Severity.MAJOR,
        on_rounds=2,
        off_rounds=1,
    ),
    AlarmType(
        "stream-thin",
        "a camera streams far less than it is set to: its picture is frozen or dark",
        "softwareError",
        "look at the picture; lens, infrared or the camera's software",
        Severity.MINOR,
        on_rounds=2,
        off_rounds=1,
    ),
    AlarmType(
        "stream-lossy",
        "packets of a camera's stream are lost on the way",
        "degradedSignal",
        "look at the discards and check-sum errors of the ports on its way",
        Severity.MINOR,
    ),
    AlarmType(
        "clock-off",
        "a camera's clock is wrong: its recordings carry the wrong time",
        "timingProblem",
        "give it the head-end as its time server; a clock that falls back at every start has an empty battery",
        Severity.WARNING,
        on_rounds=2,
        off_rounds=1,
    ),
    AlarmType(
        "light-low",
        "the light that arrives is near or below what the receiver needs",
        "degradedSignal",
        "inspect and clean both ends; look for bends; compare with the baseline",
        Severity.MAJOR,
    ),
    AlarmType(
        "light-high",
        "the light that arrives is near or above what the receiver bears",
        "degradedSignal",
        "put an attenuator; look whether an optic of another reach was fitted",
        Severity.MAJOR,
    ),
    AlarmType(
        "light-beside-plan",
        "the light that arrives is far from what the plan expects",
        "degradedSignal",
        "compare the plan with what was built; inspect the connectors",
        Severity.WARNING,
        on_rounds=3,
    ),
    AlarmType(
        "volts-low",
        "the volts at the pole are near or below what its switch needs",
        "powerProblem",
        "measure the drop across each joint under load; look for a load that was added",
        Severity.MAJOR,
    ),
    AlarmType(
        "volts-high",
        "volts are near or above the limit of the switch or of extra-low voltage",
        "powerProblem",
        "look at the supply's setting; above 60 V DC the installation is no longer ES1",
        Severity.MAJOR,
    ),
    AlarmType(
        "amperes-high",
        "a feeder carries nearly or more than its protection's trip current",
        "powerProblem",
        "high and steady with a silent pole is a short that burns on: switch off, go out",
        Severity.CRITICAL,
    ),
    AlarmType(
        "poe-watts-high",
        "the PoE ports together draw nearly or more than the switch can give",
        "powerProblem",
        "set priorities; the port of lowest priority goes off first",
        Severity.MINOR,
    ),
    AlarmType(
        "port-watts-high",
        "a port draws nearly or more than its device's class allows",
        "powerProblem",
        "look at the heater and the infrared setting; the port may be cut off at dusk",
        Severity.WARNING,
    ),
    AlarmType(
        "poe-port-fault",
        "a PoE port reports a fault: short, overload or no power for its device",
        "powerProblem",
        "unplug at the pole: if it clears, it is the cable or device side",
        Severity.MAJOR,
    ),
    AlarmType(
        "answer-garbled",
        "a device answers with values that cannot be right",
        "corruptData",
        "see which values: farpole why shows them; the datasheet may name the wrong unit",
        Severity.WARNING,
        on_rounds=3,
    ),
    AlarmType(
        "device-unknown",
        "a device that is not in the plan hangs on a pole's port",
        "unauthorizedAccessAttempt",
        "somebody may be at the pole: look at the cameras; is it yours, close this alarm and it is known from then on",
        Severity.MAJOR,
        on_rounds=1,
        off_rounds=1,
    ),
    AlarmType(
        "device-moved",
        "a load hangs on another port, or has another address, than the plan says",
        "configurationOrCustomizationError",
        "no trip: mend the plan or the device's settings",
        Severity.WARNING,
        on_rounds=1,
        off_rounds=1,
    ),
    AlarmType(
        "address-claimed-twice",
        "two devices have one address: each is reached now and then",
        "configurationOrCustomizationError",
        "no trip: give one of them another address",
        Severity.MINOR,
        on_rounds=1,
        off_rounds=1,
    ),
    AlarmType(
        "vlan-beside-plan",
        "a port or device is in another VLAN than the plan says",
        "configurationOrCustomizationError",
        "no trip: mend the switch's settings or the plan",
        Severity.WARNING,
        on_rounds=1,
        off_rounds=1,
    ),
    AlarmType(
        "port-slow",
        "a port runs at 10 Mb/s or half duplex",
        "degradedSignal",
        "next visit: re-terminate and test the cable; set both ends to automatic",
        Severity.WARNING,
        on_rounds=1,
        off_rounds=1,
    ),
    AlarmType(
        "class-beside-plan",
        "a device asks for another PoE class than the plan says",
        "configurationOrCustomizationError",
        "no trip: is it the device that you planned? Then mend the plan, and look at the PoE budget",
        Severity.WARNING,
        on_rounds=1,
        off_rounds=1,
    ),
    AlarmType(
        "history-not-written",
        "farpole cannot write its history",
        "storageCapacityProblem",
        "look at the disk: full, read-only or failing; monitoring goes on from memory",
        Severity.MAJOR,
        on_rounds=1,
        off_rounds=1,
    ),
    AlarmType(
        "history-damaged",
        "a part of the history could not be read and was put aside",
        "corruptData",
        "a card or disk that damages files is about to fail: make a backup (farpole backup), replace it, and delete "
        "what was put aside; monitoring goes on",
        Severity.WARNING,
        on_rounds=1,
        off_rounds=1,
    ),
    AlarmType(
        "callouts-not-going-out",
        "messages wait in the outbox and cannot be sent",
        "communicationsSubsystemFailure",
        "look at the internet line and at the mail account in the secrets file",
        Severity.MAJOR,
        on_rounds=1,
        off_rounds=1,
    ),
)

INVENTORY: Final[dict[str, AlarmType]] = {one.name: one for one in _ALL}
"""Alarm type → what is known of it. Probable causes are the names of X.733 as RFC 3877 registers them."""
