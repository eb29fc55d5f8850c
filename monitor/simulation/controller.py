"""A simulated solar controller on Modbus TCP: the input registers of the datasheet ``solar-controller``.

MBAP header and function 4 of the Modbus Application Protocol V1.1b3; nothing of the client's library.
"""

import asyncio
import struct
from collections.abc import Callable

Registers = Callable[[], dict[int, int]]
_READ_INPUT, _NO_FUNCTION, _NO_ADDRESS, _NO_NUMBER = 4, 1, 2, 3


def words(value: float, signed: bool = False, two: bool = False) -> tuple[int, ...]:
    """A number as registers; two of them with the low word first.

    >>> words(-2.6, signed=True), words(70000, two=True)
    ((65533,), (4464, 1))
    """
    whole = round(value)
    if two:
        return (whole & 0xFFFF, whole >> 16 & 0xFFFF)
    return (whole & 0xFFFF,) if signed else (max(0, min(0xFFFF, whole)),)


def registers(
    panel_watts: float, volts: float, amperes: float, battery_c: float, percent: float, load_watts: float
) -> dict[int, int]:
    """The controller's registers, as the datasheet has them."""
    found: dict[int, int] = {}
    for at, several in (
        (256, words(3600 if panel_watts > 0 else 0)),
        (257, words(100 * panel_watts, two=True)),
        (260, words(100 * volts)),
        (261, words(100 * amperes, signed=True)),
        (262, words(100 * battery_c, signed=True)),
        (263, words(percent)),
        (266, words(100 * load_watts, two=True)),
    ):
        found |= {at + i: word for i, word in enumerate(several)}
    return found


async def serve(objects: Registers, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """One connection, until it ends."""
    try:
        while True:
            number, _, length, unit = struct.unpack(">HHHB", await reader.readexactly(7))
            request = await reader.readexactly(max(0, min(length, 260) - 1))
            answer = reply(request, objects())
            writer.write(struct.pack(">HHHB", number, 0, len(answer) + 1, unit) + answer)
            await writer.drain()
    except (asyncio.IncompleteReadError, ConnectionError):
        return
    finally:
        writer.close()


def reply(request: bytes, held: dict[int, int]) -> bytes:
    """The answer to one request, or an exception as the protocol has them.

    >>> reply(bytes([4, 1, 0, 0, 1]), {256: 7}).hex(), reply(bytes([6, 0, 0, 0, 1]), {}).hex()
    ('04020007', '8601')
    """
    function = request[0] if request else 0
    if function != _READ_INPUT or len(request) != 5:
        return bytes([function | 0x80, _NO_FUNCTION])
    first, count = struct.unpack(">HH", request[1:])
    if not 1 <= count <= 125:
        return bytes([function | 0x80, _NO_NUMBER])
    if not any(at in held for at in range(first, first + count)):
        return bytes([function | 0x80, _NO_ADDRESS])
    values = [held.get(at, 0) for at in range(first, first + count)]
    return struct.pack(f">BB{count}H", function, 2 * count, *values)
