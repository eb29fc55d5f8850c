"""Simulated cameras are found by a Probe on loopback while they answer, and read by a reference implementation."""

import asyncio

import pytest

from monitor.daemon.clock import SystemClock
from monitor.daemon.demo import open_site
from monitor.devices.ask.multicast import ws_discovery_probe
from monitor.devices.decode.ws_discovery import matches
from monitor.plan.parts import Plan
from monitor.simulation.faults import Fault
from tests.whole.conftest import FAST


@pytest.mark.whole
async def test_cameras_answer_a_probe_while_they_answer_at_all(tarrow: Plan) -> None:
    now_s = SystemClock().wall_s()
    site = await open_site(tarrow, "word", 1, now_s, FAST)
    try:
        site.world.faults = [Fault("camera-hung", "yards", now_s - 1)]
        site.step(now_s)
        mine = {load.address for pole in site.plan.poles for load in pole.loads if load.stream}
        found = {}
        async for data, _ in ws_discovery_probe("127.0.0.1", 1.0):
            for one in matches(data):
                found[one.addresses[0]] = one
        found = {address: one for address, one in found.items() if address in mine}
        names = {one.name for one in found.values()}
        assert "creek-gate-camera" in names
        assert "yards-race-camera" in names
        assert "yards-ramp-camera" not in names, "what hangs does not answer"
        assert all(one.camera for one in found.values())
        assert len({one.reference for one in found.values()}) == len(found)
    finally:
        site.close()
        await asyncio.sleep(0)
