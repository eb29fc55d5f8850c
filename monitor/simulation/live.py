"""The live gait: real agents and listeners on loopback, moved on by a clock that is handed in."""

import asyncio
import logging
from collections.abc import Awaitable, Callable
from functools import partial

from monitor.plan.parts import Plan
from monitor.simulation.agent import Agent, serve
from monitor.simulation.mib import Oid, Typed, meter_objects, switch_objects
from monitor.simulation.services import Service
from monitor.simulation.world import World

log = logging.getLogger(__name__)


class LiveSite:
    """A simulated site that can be asked. ``plan`` must already stand on loopback addresses."""

    def __init__(self, world: World, plan: Plan, community: str) -> None:
        self.world, self.plan, self._community = world, plan, community
        self._agents: list[asyncio.DatagramTransport] = []
        self._services: list[tuple[str, str, Service]] = []
        self._objects: dict[str, tuple[float, dict[Oid, Typed]]] = {}

    async def open(self) -> None:
        """Open every socket; raises OSError, with nothing left open, where one is taken."""
        plan, places = self.plan, self.world.places
        try:
            for name, access in ((plan.headend.name, plan.headend.switch), *((p.name, p.switch) for p in plan.poles)):
                agent = Agent(self._community, partial(self._switch, name), lambda name=name: places[name].agent)  # type: ignore[misc]  # mypy cannot type a default that binds the loop's name
                self._agents.append(await serve(agent, access.address, access.port))
            for address, port in self._meters():
                meter = Agent(self._community, lambda: meter_objects(self.world), lambda: True)
                self._agents.append(await serve(meter, address, port))
            for pole in plan.poles:
                for load in pole.loads:
                    tcp = load.tcp_port or (load.stream.port if load.stream else None)
                    if load.address and tcp:
                        self._services.append((pole.name, load.name, await Service.open(load.address, tcp)))
        except OSError:
            self.close()
            raise

    def _meters(self) -> set[tuple[str, int]]:
        sensors = [supply.volts_sensor for supply in self.plan.supplies if supply.kind == "mains"]
        return {(sensor.address, sensor.port or 161) for sensor in sensors if sensor and sensor.address}

    def _switch(self, place: str) -> dict[Oid, Typed]:
        """The objects of a switch; built once per step, since a walk asks for them many times."""
        kept = self._objects.get(place)
        if kept is None or kept[0] != self.world.now_s:
            kept = self._objects[place] = (self.world.now_s, switch_objects(self.world, place))
        return kept[1]

    def step(self, now_s: float) -> None:
        """Move the world on and let the loads answer or not."""
        self.world.step(now_s)
        for pole, load, service in self._services:
            place = self.world.places[pole]
            service.answers(place.reachable and place.load_up[load])

    async def run(self, now_s: Callable[[], float], sleep: Callable[[float], Awaitable[None]]) -> None:
        """Step every half second until cancelled."""
        while True:
            self.step(now_s())
            await sleep(0.5)

    def close(self) -> None:
        """Close every socket."""
        for transport in self._agents:
            transport.close()
        for _, _, service in self._services:
            service.close()
        self._agents.clear()
        self._services.clear()


def on_loopback(plan: Plan, network: int, snmp_port: int, tcp_offset: int) -> Plan:
    """The same plan with every address moved into 127.``network``.x.y and every port above 1024.

    ICMP means nothing there (the kernel answers for all of 127/8), so it is not asked.
    """
    data = plan.model_dump(mode="json", by_alias=True, exclude_none=True)

    def moved(address: str) -> str:
        a, b = address.split(".")[2:]
        return f"127.{network}.{a}.{b}"

    data["site"]["subnets"] = [f"127.{network}.0.0/22"]
    for switch in (data["headend"]["switch"], *(pole["switch"] for pole in data["poles"])):
        switch |= {"address": moved(switch["address"]), "port": snmp_port, "reach": ["snmp"]}
    for supply in data["supplies"]:
        sensor = supply.get("volts_sensor")
        if sensor:
            sensor |= {"address": moved(sensor["address"]), "port": snmp_port}
    for pole in data["poles"]:
        for load in pole["loads"]:
            if "address" in load:
                tcp = load.get("tcp_port") or (load.get("stream") or {}).get("port", 554)
                load |= {"address": moved(load["address"]), "reach": ["tcp"], "tcp_port": tcp_offset + tcp}
    return Plan.model_validate(data)
