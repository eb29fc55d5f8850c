"""Both gaits of the simulated site give the same readings: what is asked over its protocols is what its columns say."""

import asyncio
from pathlib import Path

import pytest

from monitor.daemon.asking import Asking
from monitor.daemon.clock import HandClock, SystemClock
from monitor.daemon.demo import open_site
from monitor.daemon.design import Design
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.powering import Powering, asked_by_modbus
from monitor.daemon.rounds import Rounds
from monitor.devices.ask.snmp import Community
from monitor.devices.ask.snmp_any import AnyAsker
from monitor.devices.questions import MEASURE, REACH
from monitor.facts.readings import Slot
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan
from monitor.simulation.columns import Columns
from monitor.simulation.faults import Fault
from monitor.simulation.live import LiveSite
from tests.whole.conftest import FAST

pytestmark = pytest.mark.whole


@pytest.mark.parametrize("fault", [None, "dirty-connector", "port-short", "duplex-mismatch", "broadcast-storm"])
async def test_what_is_asked_is_what_the_columns_say(
    tarrow: Plan, sheets: Sheets, tmp_path: Path, fault: str | None
) -> None:
    now_s = SystemClock().wall_s()
    site = await open_site(tarrow, "word", 1, now_s - 7200, FAST)
    try:
        site.world.faults = [Fault(fault, "yards", now_s - 3600)] if fault else []
        for at_s in (now_s - 3600, now_s - 1800, now_s):
            site.step(at_s)
        columns = {
            slot: value
            for one in Columns(site.world).rounds()
            for slot, value, state in zip(one.layout.slots, one.values, one.states, strict=True)
            if state == 0 and not slot.quantity.endswith("watt_hours")  # counted since farpole itself began to ask
        }
        memory = await asked_once(site, sheets, tmp_path)
    finally:
        site.close()
    seen = {slot: found[0] for slot in columns if (found := memory.latest.last_seen(slot)) is not None}
    wrong = [
        f"{slot.resource} {slot.quantity}: asked {value}, columns {columns[slot]}"
        for slot, value in seen.items()
        if value != pytest.approx(columns[slot], abs=_step(slot), rel=1e-9)
    ]
    assert not wrong, "\n".join(wrong)
    assert len(seen) > 0.9 * len(columns), f"only {len(seen)} of {len(columns)} were asked for"


async def asked_once(site: LiveSite, sheets: Sheets, folder: Path) -> Memory:
    """Everything of a site asked once over its own protocols."""
    clock = HandClock()
    keeper = Keeper(folder / "history.sqlite", clock)
    await keeper.open()
    asking = Asking(AnyAsker(), {"switches": Community("word")}, clock, may_ping=False)
    memory = Memory(Design.of(site.plan, sheets))
    rounds = Rounds(memory, asking, keeper, clock, lambda: None)
    powering = Powering(rounds, clock)
    try:
        design = memory.design
        await asyncio.gather(*(rounds.reach(place) for place in design.places))
        await asyncio.gather(*(rounds.ask(device, REACH) for device in design.meters))
        switches = [device for device in design.devices.values() if device not in design.meters]
        await asyncio.gather(*(rounds.ask(device, MEASURE) for device in switches))
        for asked in asked_by_modbus(site.plan):
            await powering.check(asked)
    finally:
        powering.close()
        asking.close()
        await keeper.close()
    return memory


def _step(slot: Slot) -> float:
    """What a device's own step, or the text of its answer, may take from a value."""
    coarse = {"uptime_seconds": 0.011, "rx_dbm": 0.006, "tx_dbm": 0.006, "poe_total_watts": 0.6}
    return coarse.get(slot.quantity, 0.011 if slot.resource.startswith("supply/") else 1e-6)
