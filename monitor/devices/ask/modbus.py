"""Modbus TCP through pymodbus: one connection per bus, opened again after a failure; reads only."""

import asyncio
from collections.abc import Mapping

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException

from monitor.devices.decode import registers
from monitor.devices.decode.raw import Garbled
from monitor.facts.printable import one_line
from monitor.plan.datasheets import RegisterSheet

_TIMEOUT_S = 2.0


class NoAnswer(OSError):
    """The device did not answer; the message says what happened."""


class Refused(OSError):
    """The device answered with an exception: it has no such registers, or may not be read."""


class Bus:
    """One connection, one question at a time: a serial line stands behind many a gateway."""

    def __init__(self, address: str, port: int) -> None:
        self._address, self._port = address, port
        self._client: AsyncModbusTcpClient | None = None
        self._one = asyncio.Lock()

    async def read(self, unit: int, table: str, at: int, count: int) -> list[int]:
        """Registers of a unit; raises NoAnswer or Refused."""
        async with self._one:
            try:
                client = await self._opened()
                ask = client.read_input_registers if table == "input" else client.read_holding_registers
                answer = await ask(at, count=count, device_id=unit)
            except (ModbusException, OSError, TimeoutError) as error:
                self._drop()
                raise NoAnswer(one_line(str(error), 200) or type(error).__name__) from None
        if answer.isError():
            raise Refused(f"exception {getattr(answer, 'exception_code', '?')} for {count} registers from {at}")
        if len(answer.registers) != count:
            raise Refused(f"{len(answer.registers)} registers came, {count} were asked for")
        return list(answer.registers)

    async def _opened(self) -> AsyncModbusTcpClient:
        if self._client is None or not self._client.connected:
            self._drop()
            client = AsyncModbusTcpClient(self._address, port=self._port, timeout=_TIMEOUT_S, retries=0)
            if not await client.connect():
                raise OSError("no connection")
            self._client = client
        return self._client

    def _drop(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None

    def close(self) -> None:
        """Give the connection back."""
        self._drop()


async def read_sheet(bus: Bus, unit: int, sheet: RegisterSheet) -> Mapping[tuple[str, int], int]:
    """All registers that a datasheet names: (table, address) → register. What the device refuses is left out."""
    found: dict[tuple[str, int], int] = {}
    for table, first, count in registers.spans(sheet):
        try:
            words = await bus.read(unit, table, first, count)
        except Refused:
            continue
        found.update({(table, first + i): word for i, word in enumerate(words)})
    return found


async def read_sunspec(bus: Bus, unit: int) -> list[tuple[registers.Model, list[int]]]:
    """The models of a SunSpec device with their registers; raises NoAnswer, Refused, or Garbled where it is none."""
    base = await _base(bus, unit)
    found: list[tuple[registers.Model, list[int]]] = []
    at = base + 2
    for _ in range(60):
        model = registers.next_model(at, await bus.read(unit, "holding", at, 2))
        if model is None:
            break
        words: list[int] = []
        if model.number in registers.POINTS:
            while len(words) < model.length:
                more = min(registers.MOST_AT_ONCE, model.length - len(words))
                words += await bus.read(unit, "holding", model.at + len(words), more)
        found.append((model, words))
        at = model.at + model.length
    return found


async def _base(bus: Bus, unit: int) -> int:
    for base in registers.SUNSPEC_BASES:
        try:
            if tuple(await bus.read(unit, "holding", base, 2)) == registers.MARKER:
                return base
        except Refused:
            continue
    raise Garbled('it does not begin with "SunS": no SunSpec device')
