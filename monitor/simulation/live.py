"""The live gait: real agents and listeners on loopback, moved on by a clock that is handed in."""

import asyncio
import logging
from collections.abc import Awaitable, Callable
from functools import partial

from monitor.plan.parts import Load, Plan, Sensor, SolarSupply
from monitor.simulation.agent import Agent, message, serve
from monitor.simulation.camera import Camera
from monitor.simulation.controller import registers
from monitor.simulation.controller import serve as serve_registers
from monitor.simulation.discovery import Found
from monitor.simulation.discovery import serve as serve_discovery
from monitor.simulation.mib import Oid, Typed, meter_objects, switch_objects
from monitor.simulation.notices import Notices
from monitor.simulation.services import Handler, Service
from monitor.simulation.switching import switched
from monitor.simulation.world import PlaceState, World

log = logging.getLogger(__name__)


SLOW_AGENT_S = 0.9


class LiveSite:
    """A simulated site that can be asked. ``plan`` must already stand on loopback addresses.

    Several processes can share a large one: each moves the whole world on and serves the places that are ``mine``.
    """

    def __init__(
        self, world: World, plan: Plan, community: str, mine: Callable[[str], bool] = lambda place: True
    ) -> None:
        self.world, self.plan, self._community, self._mine = world, plan, community, mine
        self._agents: dict[str, tuple[Agent, asyncio.DatagramTransport]] = {}
        self._meter: list[asyncio.DatagramTransport] = []
        self._cameras: list[Found] = []
        self._services: list[tuple[Callable[[], bool], Service]] = []
        self._objects: dict[str, tuple[float, dict[Oid, Typed]]] = {}
        self._notices, self._sent = Notices(world), 0
        self.objects_last_s = 0.0
        """How long a switch answers from what it has gathered, as real ones do."""
        self.writing = ""
        """The community by which ports may be switched; empty: by none."""

    async def open(self) -> None:
        """Open every socket; raises OSError, with nothing left open, where one is taken."""
        plan, places = self.plan, self.world.places
        try:
            for name, access in ((plan.headend.name, plan.headend.switch), *((p.name, p.switch) for p in plan.poles)):
                if not self._mine(name):
                    continue
                agent = Agent(self._community, partial(self._switch, name), lambda name=name: places[name].agent)  # type: ignore[misc]  # mypy cannot type a default that binds the loop's name
                self._agents[name] = (agent, await serve(agent, access.address, access.port))
                if self.writing:
                    agent.writing = (self.writing, partial(switched, self.world, name))
            for pole in filter(lambda pole: self._mine(pole.name), plan.poles):
                for load in pole.loads:
                    await self._load(places[pole.name], load)
            if not self._mine(plan.headend.name):
                return
            for address, port in self._meters():
                alive = places[plan.headend.name]
                meter = Agent(self._community, lambda: meter_objects(self.world), lambda alive=alive: alive.agent)  # type: ignore[misc]  # the same
                self._meter.append(await serve(meter, address, port))
            if self._cameras:
                self._meter.append(await serve_discovery(self._cameras, "127.0.0.1"))
            for supply in plan.supplies:
                if isinstance(supply, SolarSupply) and supply.controller and supply.controller.address:
                    await self._controller(supply, supply.controller)
        except OSError:
            self.close()
            raise

    async def _load(self, place: PlaceState, load: Load) -> None:
        device = place.devices[load.name]
        if not load.address:
            return

        def answers() -> bool:
            return place.reachable and device.answers

        async def listen(port: int, handler: Handler | None = None) -> None:
            self._services.append((answers, await Service.open(str(load.address), port, handler)))

        if load.stream is not None:
            camera = Camera(
                load.stream.kilobits_per_s,
                lambda: place.reachable and device.sends,
                lambda: self.world.now_s,
                lambda: device.clock_wrong_s,
            )
            await listen(load.stream.port, camera.rtsp)
            await listen(load.onvif_port, camera.onvif)
            self._cameras.append(Found(load.name, str(load.address), load.onvif_port, answers))
        if load.tcp_port and (load.stream is None or load.tcp_port != load.stream.port):
            await listen(load.tcp_port)

    async def _controller(self, supply: SolarSupply, access: Sensor) -> None:
        world, bank = self.world, self.world.banks[supply.name]
        poles = [world.places[pole.name] for pole in self.plan.poles if pole.supply == supply.name]

        def held() -> dict[int, int]:
            c = world.battery_c()
            amperes = (bank.in_watts - bank.out_watts) / bank.volts(c)
            return registers(bank.panel_watts, bank.volts(c), amperes, c, 100 * bank.soc(c), bank.load_watts)

        service = await Service.open(str(access.address), access.port or 502, partial(serve_registers, held))
        self._services.append((lambda: any(place.reachable for place in poles), service))

    def _meters(self) -> set[tuple[str, int]]:
        sensors = [supply.volts_sensor for supply in self.plan.supplies if supply.kind == "mains"]
        return {(sensor.address, sensor.port or 161) for sensor in sensors if sensor and sensor.address}

    def _switch(self, place: str) -> dict[Oid, Typed]:
        """The objects of a switch; built once per step, since a walk asks for them many times."""
        kept = self._objects.get(place)
        if kept is None or not 0 <= self.world.now_s - kept[0] <= self.objects_last_s:  # a clock may be set back
            kept = self._objects[place] = (self.world.now_s, switch_objects(self.world, place))
        return kept[1]

    def step(self, now_s: float) -> None:
        """Move the world on and let the loads answer or not."""
        self.world.step(now_s)
        for answers, service in self._services:
            service.answers(answers())
        for name, (agent, _) in self._agents.items():
            agent.delay_s = SLOW_AGENT_S if self.world.places[name].slow_agent else 0.0
        self._notify()

    def _notify(self) -> None:
        """Send what has changed, as the switches do on their own."""
        traps = self.plan.traps
        for place, trap, row in self._notices.changed():
            if traps != "off" and traps.port and place in self._agents:
                self._sent += 1
                uptime_s = self.world.now_s - self.world.places[place].started_s
                told = message(self._community, uptime_s, self._sent, trap, row)
                self._agents[place][1].sendto(told, (traps.address, traps.port))

    async def run(self, now_s: Callable[[], float], sleep: Callable[[float], Awaitable[None]]) -> None:
        """Step every half second until cancelled."""
        while True:
            self.step(now_s())
            await sleep(0.5)

    def close(self) -> None:
        """Close every socket."""
        for _, transport in self._agents.values():
            transport.close()
        for transport in self._meter:
            transport.close()
        for _, service in self._services:
            service.close()
        self._agents.clear()
        self._meter.clear()
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
        controller = supply.get("controller")
        if controller and "address" in controller:
            controller |= {"address": moved(controller["address"]), "port": tcp_offset + controller.get("port", 502)}
    for pole in data["poles"]:
        for load in pole["loads"]:
            if "address" in load:
                stream = load.get("stream")
                tcp = load.get("tcp_port") or (stream or {}).get("port", 554)
                load |= {"address": moved(load["address"]), "reach": ["tcp"], "tcp_port": tcp_offset + tcp}
                if stream:
                    stream["port"] = tcp_offset + stream.get("port", 554)
                    load |= {"reach": ["tcp", "rtsp", "onvif"], "onvif_port": tcp_offset + load.get("onvif_port", 80)}
    return Plan.model_validate(data)
