"""The demo's past, written into a history as a running farpole would have written it."""

from collections.abc import Iterator, Sequence
from pathlib import Path

from monitor.daemon.deriving import feeder_rounds
from monitor.daemon.design import Design
from monitor.daemon.lock import HISTORY
from monitor.daemon.memory import Memory
from monitor.daemon.powering import held_watt_hours
from monitor.facts import resources
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history.records import Repair
from monitor.history.store import Store
from monitor.margins.night import Night
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan, SolarSupply
from monitor.simulation.faults import Visit
from monitor.simulation.past import Past, past

AT_ONCE = 4000


def fill_past(folder: Path, plan: Plan, sheets: Sheets, seed: int, until_s: float, story: Past) -> int:
    """Put fourteen months behind the demo; how many rounds that was."""
    data = folder / "data"
    data.mkdir(mode=0o750)
    derived, waiting, kept = _Derived(plan, sheets), list[Round](), 0
    with Store(data / HISTORY) as store:

        def note(visit: Visit) -> None:
            store.repaired(Repair(visit.at_s, visit.pole, "owner", visit.words))

        for rounds in past(plan, seed, until_s - 60, story, note=note):
            waiting += rounds
            waiting += derived.of(rounds)
            if len(waiting) > AT_ONCE:
                store.keep(waiting)
                kept += len(waiting)
                waiting.clear()
        store.keep(waiting)
    return kept + len(waiting)


class _Derived:
    """What the daemon derives from readings as they come: feeders' loops, what batteries hold."""

    def __init__(self, plan: Plan, sheets: Sheets) -> None:
        self._memory = Memory(Design.of(plan, sheets))
        self._banks: dict[str, tuple[SolarSupply, Night, Layout]] = {}
        for supply in plan.supplies:
            if isinstance(supply, SolarSupply):
                at = resources.supply(supply.name)
                night = Night(supply.battery.volts * supply.battery.amp_hours)
                self._banks[at] = (supply, night, Layout(at, "night", (Slot(at, "held_watt_hours"),)))

    def of(self, rounds: Sequence[Round]) -> Iterator[Round]:
        """The rounds that follow from these."""
        for readings in rounds:
            self._memory.latest.take(readings)
        for readings in rounds:
            device = readings.layout.device
            if device.endswith("/switch"):
                made = feeder_rounds(self._memory, resources.place_of(device), readings)
                for one in made:
                    self._memory.latest.take(one)
                yield from made
            elif device in self._banks:
                yield from self._held(readings)

    def _held(self, readings: Round) -> Iterator[Round]:
        supply, night, layout = self._banks[readings.layout.device]
        held = held_watt_hours(night, supply, self._memory.design.sheets, readings)
        if held is not None:
            made = Round.blank(layout, readings.at_s, State.SILENT)
            made.put(0, held)
            yield made
