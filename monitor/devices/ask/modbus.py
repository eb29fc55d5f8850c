"""Modbus TCP through pymodbus: one connection per bus, opened again after a failure; reads only."""

import asyncio
import socket
from collections.abc import Mapping
from dataclasses import dataclass, field

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException

from monitor.devices.ask.own import CouldNotAsk, is_ours
from monitor.devices.decode import registers
from monitor.devices.decode.raw import Garbled
from monitor.facts.printable import one_line
from monitor.plan.datasheets import RegisterSheet

_TIMEOUT_S = 2.0
"""For one answer."""
_WHOLE_S = 20.0
"""For all answers of one reading together: a hundred and more over a serial line of 9,600 baud, of 0.15 s each."""


class NoAnswer(OSError):
    """The device did not answer; the message says what happened."""


class Refused(OSError):
    """The device answered with an exception: it has no such registers, or may not be read."""


@dataclass
class Patience:
    """What is left of a reading's time. Waiting for others to leave the line does not count."""

    left_s: float = field(default_factory=lambda: _WHOLE_S)


class Bus:
    """One connection, one question at a time: a serial line stands behind many a gateway."""

    def __init__(self, address: str, port: int) -> None:
        self._address, self._port = address, port
        self._client: AsyncModbusTcpClient | None = None
        self._one = asyncio.Lock()

    async def read(self, unit: int, table: str, at: int, count: int, patience: Patience | None = None) -> list[int]:
        """Registers of a unit, as far as there is patience; raises NoAnswer, Refused or CouldNotAsk."""
        patience = patience or Patience()
        time = asyncio.get_running_loop().time
        async with self._one:
            began_s = time()
            try:
                async with asyncio.timeout(patience.left_s):
                    client = await self._opened()
                    ask = client.read_input_registers if table == "input" else client.read_holding_registers
                    answer = await ask(at, count=count, device_id=unit)
            except CouldNotAsk:
                raise
            except (ModbusException, OSError, TimeoutError) as error:
                self._drop()
                raise NoAnswer(_why(error, patience.left_s - (time() - began_s))) from None
            except asyncio.CancelledError:
                self._drop()  # an answer that comes later must not be taken for the next one's
                raise
            finally:
                patience.left_s -= time() - began_s
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
                _have_a_socket()
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


def _have_a_socket() -> None:
    """The library says only that there is no connection: is that because there is no socket for one? CouldNotAsk."""
    try:
        socket.socket().close()
    except OSError as error:
        if is_ours(error):
            raise CouldNotAsk(error.errno, error.strerror) from None


def _why(error: Exception, left_s: float) -> str:
    if left_s <= 0:
        return f"all its answers together took longer than {_WHOLE_S:g} s"
    return one_line(str(error), 200) or type(error).__name__


async def read_sheet(bus: Bus, unit: int, sheet: RegisterSheet) -> Mapping[tuple[str, int], int]:
    """All registers that a datasheet names: (table, address) → register. What the device refuses is left out."""
    found: dict[tuple[str, int], int] = {}
    patience = Patience()
    for table, first, count in registers.spans(sheet):
        try:
            words = await bus.read(unit, table, first, count, patience)
        except Refused:
            continue
        found.update({(table, first + i): word for i, word in enumerate(words)})
    return found


async def read_sunspec(bus: Bus, unit: int) -> list[tuple[registers.Model, list[int]]]:
    """The models of a SunSpec device with their registers; raises NoAnswer, Refused, or Garbled where it is none."""
    patience = Patience()
    base = await _base(bus, unit, patience)
    found: list[tuple[registers.Model, list[int]]] = []
    at = base + 2
    for _ in range(60):
        model = registers.next_model(at, await bus.read(unit, "holding", at, 2, patience))
        if model is None:
            break
        words: list[int] = []
        if model.number in registers.POINTS:
            while len(words) < model.length:
                more = min(registers.MOST_AT_ONCE, model.length - len(words))
                words += await bus.read(unit, "holding", model.at + len(words), more, patience)
        found.append((model, words))
        at = model.at + model.length
    return found


async def _base(bus: Bus, unit: int, patience: Patience) -> int:
    for base in registers.SUNSPEC_BASES:
        try:
            if tuple(await bus.read(unit, "holding", base, 2, patience)) == registers.MARKER:
                return base
        except Refused:
            continue
    raise Garbled('it does not begin with "SunS": no SunSpec device')
