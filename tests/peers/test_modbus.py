"""The Modbus client against pymodbus' own server, which serves an image made with pysunspec2's definitions."""

import asyncio
import struct
import sys
from collections.abc import AsyncIterator

import pytest

from monitor.devices.ask.modbus import Bus, NoAnswer, Refused, read_sheet, read_sunspec
from monitor.devices.decode.raw import Garbled
from monitor.devices.decode.registers import points
from monitor.plan.datasheets import Sheets
from tests.conftest import need_python_peers
from tests.devices.test_registers import model_802

pytestmark = pytest.mark.peer

SERVER = """
import asyncio, json, sys
from pymodbus.server import StartAsyncTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

async def main():
    base, image, port = int(sys.argv[1]), json.loads(sys.argv[2]), int(sys.argv[3])
    device = SimDevice(id=1, simdata=[SimData(base, values=image, datatype=DataType.REGISTERS)])
    await StartAsyncTcpServer(device, address=("127.0.0.1", port))

asyncio.run(main())
"""


class Server:
    def __init__(self, base: int, image: list[int], port: int) -> None:
        self.words = [sys.executable, "-c", SERVER, str(base), str(image), str(port)]
        self.process: asyncio.subprocess.Process | None = None

    async def start(self, port: int) -> None:
        self.process = await asyncio.create_subprocess_exec(*self.words)
        for _ in range(100):
            try:
                _, writer = await asyncio.open_connection("127.0.0.1", port)
                writer.close()
                return
            except OSError:
                await asyncio.sleep(0.1)
        raise AssertionError("the server does not listen")

    async def stop(self) -> None:
        if self.process is not None:
            self.process.terminate()
            await self.process.wait()


@pytest.fixture
def port() -> int:
    import socket

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
async def bus(port: int) -> AsyncIterator[Bus]:
    need_python_peers("pymodbus", "sunspec2")
    made = Bus("127.0.0.1", port)
    yield made
    made.close()


def image() -> list[int]:
    battery = model_802(SoC=735, SoC_SF=-1, V=512, V_SF=-1, A=-18, A_SF=-1, W=-92, W_SF=0)
    return [*struct.unpack(">2H", b"SunS"), 1, 66, *[0] * 66, 802, len(battery), *battery, 0xFFFF, 0]


async def test_sunspec_models_are_found_and_read(bus: Bus, port: int) -> None:
    server = Server(40_000, image(), port)
    await server.start(port)
    try:
        found = await read_sunspec(bus, 1)
        assert [model.number for model, _ in found] == [1, 802]
        got = {quantity: get() for quantity, get in points(*found[1]) if quantity != "battery_health_percent"}
        assert got == {"battery_percent": 73.5, "battery_volts": 51.2, "battery_amperes": -1.8, "battery_watts": -92.0}
        with pytest.raises(Refused):
            await bus.read(1, "holding", 100, 2)
    finally:
        await server.stop()


async def test_the_connection_is_opened_again_after_a_failure(bus: Bus, port: int) -> None:
    with pytest.raises(NoAnswer):
        await bus.read(1, "holding", 40_000, 2)
    server = Server(40_000, image(), port)
    for _ in range(2):
        await server.start(port)
        assert await bus.read(1, "holding", 40_000, 2) == list(struct.unpack(">2H", b"SunS"))
        await server.stop()
        with pytest.raises(NoAnswer):
            await bus.read(1, "holding", 40_000, 2)


async def test_registers_by_datasheet_and_what_is_no_sunspec_device(bus: Bus, port: int, sheets: Sheets) -> None:
    server = Server(256, [7210, 12_000, 0, 0, 2610, 0xFF38, 2250, 81, 0, 0, 500, 0], port)
    await server.start(port)
    try:
        words = await read_sheet(bus, 1, sheets.modbus["solar-controller"])
        assert words["input", 260] == 2610
        with pytest.raises(Garbled, match="SunS"):
            await read_sunspec(bus, 1)
    finally:
        await server.stop()
