"""Everything that follows from a plan, computed once when it is taken."""

from collections.abc import Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from monitor.alarms.messages import NO_OTHERS
from monitor.alarms.topology import Topology, topology_of
from monitor.budgets.expected import SiteBudget, site_budget
from monitor.devices.questions import Device, LoadToAsk, devices_of, loads_of
from monitor.facts import resources
from monitor.facts.readings import Slot
from monitor.facts.words import ENGLISH, Tongue, say
from monitor.margins.limits import Limit, limits_of
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan, SolarSupply


@dataclass(frozen=True, slots=True)
class Design:
    """A plan and all that is derived from it; replaced as a whole by a reload."""

    plan: Plan
    sheets: Sheets
    zone: ZoneInfo
    budget: SiteBudget
    limits: Mapping[Slot, Limit]
    topology: Topology
    devices: Mapping[str, Device]
    loads: Mapping[str, list[LoadToAsk]]
    tongues: Mapping[str, Tongue]

    @classmethod
    def of(cls, plan: Plan, sheets: Sheets, tongues: Mapping[str, Tongue] = NO_OTHERS) -> "Design":
        """Derive everything; raises ValueError where a budget cannot be computed."""
        budget = site_budget(plan, sheets)
        return cls(
            plan,
            sheets,
            ZoneInfo(plan.site.timezone),
            budget,
            limits_of(plan, budget),
            topology_of(plan),
            devices_of(plan, sheets),
            loads_of(plan),
            tongues,
        )

    def tongue_of(self, person: str) -> Tongue:
        """The language of a person of the plan; the site's where he is none."""
        named = next((one.language for one in self.plan.callouts if one.name == person), None)
        return self.tongues.get(named or self.plan.site.language, ENGLISH)

    @property
    def places(self) -> tuple[str, ...]:
        """The head-end and the poles."""
        return (self.plan.headend.name, *(pole.name for pole in self.plan.poles))

    @property
    def meters(self) -> tuple[Device, ...]:
        """Devices that are no switch of a place."""
        return tuple(device for device in self.devices.values() if device.name.startswith("meter/"))

    def switch_of(self, place: str) -> Device:
        """The switch of a place."""
        return self.devices[resources.switch(place)]

    def lost_with(self) -> dict[str, float]:
        """Pole → what fails with it: itself, its loads, and those of the poles behind it."""
        loads = {pole.name: len(pole.loads) for pole in self.plan.poles}
        return {p: 1.0 + loads[p] + sum(loads[q] for q in self.topology.behind(p)) for p in loads}

    def not_carried_out(self) -> tuple[str, ...]:
        """What this plan asks for and this version does not do: an owner must not count on it."""
        plan = self.plan
        wanted = {plan.site.language, *(person.language for person in plan.callouts)} - {None, "en", *self.tongues}
        other = any(
            isinstance(s, SolarSupply) and s.controller and s.controller.kind != "modbus-tcp" for s in plan.supplies
        )
        lines = (
            [say("The plan says more than this version does. controller: only Modbus TCP is read.")] if other else []
        )
        if wanted:
            words = "There is no catalogue for {languages}; English is used."
            lines.append(say(words, languages=", ".join(sorted(map(str, wanted)))))
        return tuple(lines)

    def resources(self) -> set[str]:
        """Every resource that an alarm may stand for under this plan."""
        known = {resources.ITSELF, *self.places, *self.devices, *(f"supply/{s.name}" for s in self.plan.supplies)}
        known |= {slot.resource for slot in self.limits} | {load.resource for at in self.loads.values() for load in at}
        for device in self.devices.values():
            known |= {resources.port(device.place, port) for port in device.ports}
        return known
