"""Registers of Modbus devices: by a datasheet of their own, or by SunSpec's models, which a device lists by itself.

SunSpec Device Information Model Specification: the marker "SunS" at 40000, 50000 or 0, then models one after the
other (number, length, points); values are scaled by a power of ten that stands in the same model.
"""

import math
import struct
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from monitor.devices.decode.raw import Absent, Garbled
from monitor.plan.datasheets import Register, RegisterSheet

SUNSPEC_BASES = (40_000, 50_000, 0)
MARKER = (0x5375, 0x6E53)
_END_MODEL = 0xFFFF
_MOST_MODELS, _MOST_LENGTH = 60, 2000
MOST_AT_ONCE = 125
"""Modbus Application Protocol V1.1b3, section 6.3: registers in one read."""
_WIDTHS = {"u16": 1, "s16": 1, "u32": 2, "s32": 2, "f32": 2}
_NOTHING = {"u16": 0xFFFF, "s16": -0x8000, "u32": 0xFFFF_FFFF, "s32": -0x8000_0000}
"""What SunSpec devices write where they have no value."""


def number(words: Sequence[int], kind: str, low_first: bool = False) -> float:
    """The number in one or two registers, the high word first unless ``low_first``.

    >>> number([0xFFEE], "s16"), number([1, 0], "u32"), number([0, 1], "u32", low_first=True)
    (-18.0, 65536.0, 65536.0)
    """
    if len(words) != _WIDTHS[kind]:
        raise Garbled(f"{len(words)} registers for a {kind}")
    raw = b"".join(struct.pack(">H", word) for word in (reversed(words) if low_first else words))
    value = struct.unpack({"u16": ">H", "s16": ">h", "u32": ">I", "s32": ">i", "f32": ">f"}[kind], raw)[0]
    if kind == "f32" and not math.isfinite(value):
        raise Absent("the device says no number")
    return float(value)


def spans(sheet: RegisterSheet) -> list[tuple[str, int, int]]:
    """(table, first, count) of the reads that fetch a datasheet's registers, neighbours together."""
    found: list[tuple[str, int, int]] = []
    for table in ("input", "holding"):
        for one in sorted((r for r in sheet.registers if r.table == table), key=lambda r: r.at):
            end = one.at + _WIDTHS[one.type]
            if found and found[-1][0] == table and end - found[-1][1] <= 40 and one.at - sum(found[-1][1:]) <= 8:
                found[-1] = (table, found[-1][1], max(found[-1][2], end - found[-1][1]))
            else:
                found.append((table, one.at, _WIDTHS[one.type]))
    return found


def value(register: Register, words: Mapping[int, int]) -> float:
    """A register's value in its quantity's unit; raises Absent or Garbled. ``words`` is address → register."""
    try:
        own = [words[register.at + i] for i in range(_WIDTHS[register.type])]
    except KeyError:
        raise Absent("the device has no such register") from None
    got = number(own, register.type, register.low_first)
    if got in register.absent:
        raise Absent(f"the device says {got:g}, which stands for no value")
    scaled = got / round(1 / register.scale) if register.scale < 1 else got * register.scale
    return scaled + register.offset


@dataclass(frozen=True, slots=True)
class Model:
    """One model in a SunSpec device: its number, where its points begin, and how many registers they take."""

    number: int
    at: int
    length: int


def next_model(at: int, words: Sequence[int]) -> Model | None:
    """The model whose number and length stand at an address, or None at the end; raises Garbled."""
    if len(words) < 2 or words[0] in (_END_MODEL, 0):
        return None
    if words[1] > _MOST_LENGTH:
        raise Garbled(f"model {words[0]} would have {words[1]} registers")
    return Model(words[0], at + 2, words[1])


Point = tuple[str, int, str, int | None, float]
"""Quantity, offset, type, offset of its scale factor, factor to the quantity's unit; offsets count from the model's
number, as in SunSpec's own tables."""
POINTS: dict[int, tuple[Point, ...]] = {
    802: (
        ("battery_percent", 11, "u16", 56, 1.0),
        ("battery_health_percent", 13, "u16", 58, 1.0),
        ("battery_volts", 34, "u16", 59, 1.0),
        ("battery_amperes", 44, "s16", 61, 1.0),
        ("battery_watts", 47, "s16", 63, 1.0),
    ),
}
"""Model 802, battery base (SunSpec Information Model Reference, model_00802; as in pysunspec2's definitions)."""


def points(model: Model, words: Sequence[int]) -> Iterator[tuple[str, Callable[[], float]]]:
    """The quantities of a model that we know; each callable gives its value or raises Absent or Garbled."""
    for quantity, offset, kind, scale_at, factor in POINTS.get(model.number, ()):
        yield quantity, lambda o=offset, k=kind, s=scale_at, f=factor: _point(words, o, k, s, f)  # type: ignore[misc]  # mypy cannot type a default that binds the loop's name


def _point(words: Sequence[int], offset: int, kind: str, scale_at: int | None, factor: float) -> float:
    at = offset - 2
    if at + _WIDTHS[kind] > len(words):
        raise Absent("the model is shorter than this point")
    got = number(words[at : at + _WIDTHS[kind]], kind)
    if got == _NOTHING[kind]:
        raise Absent("the device has no value there")
    power = 0.0
    if scale_at is not None and scale_at - 2 < len(words):
        power = number([words[scale_at - 2]], "s16")
        if power == _NOTHING["s16"]:
            power = 0.0
    if not -10 <= power <= 10:
        raise Garbled(f"a scale of 10^{power:g}")
    return float(got * 10.0**power * factor if power >= 0 else got / 10.0**-power * factor)
