"""Registers by datasheet and by SunSpec's models; the model's points against pysunspec2's own definitions."""

import json
import struct
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.devices.decode.raw import Absent, Garbled
from monitor.devices.decode.registers import POINTS, Model, next_model, number, points, spans, value
from monitor.plan.datasheets import Register, RegisterSheet, Sheets


def definition(model: int) -> dict[str, tuple[int, str, str | None]]:
    """Point → offset, type, name of its scale factor, from pysunspec2's model files (SunSpec Alliance)."""
    spec = find_spec("sunspec2")
    assert spec is not None
    assert spec.origin is not None
    file = Path(spec.origin).parent / "models" / "json" / f"model_{model}.json"
    found, at = {}, 0
    for point in json.loads(file.read_text())["group"]["points"]:
        found[point["name"]] = (at, point["type"], point.get("sf"))
        at += point["size"]
    return found


NAMES = {
    "battery_percent": "SoC",
    "battery_health_percent": "SoH",
    "battery_volts": "V",
    "battery_amperes": "A",
    "battery_watts": "W",
}


def test_the_points_of_model_802_are_where_its_definition_has_them() -> None:
    defined = definition(802)
    for quantity, offset, kind, scale_at, _ in POINTS[802]:
        at, type_, scale = defined[NAMES[quantity]]
        assert offset == at, quantity
        assert kind == {"uint16": "u16", "int16": "s16"}[type_]
        assert scale is not None
        assert scale_at == defined[scale][0]


def model_802(**said: int) -> list[int]:
    defined, words = definition(802), [0xFFFF] * 64
    for name, (at, type_, _) in defined.items():
        if type_ in ("int16", "sunssf"):
            words[at] = 0x8000
        if name in said:
            words[at] = struct.unpack(">H", struct.pack(">h" if said[name] < 0 else ">H", said[name]))[0]
    return words[2:]


def read(words: list[int]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for quantity, get in points(Model(802, 40_070, len(words)), words):
        try:
            found[quantity] = get()
        except Absent:
            found[quantity] = None
    return found


def test_scaled_points_and_points_without_value() -> None:
    got = read(model_802(SoC=735, SoC_SF=-1, V=512, V_SF=-1, A=-18, A_SF=-1, W=-92, W_SF=0))
    assert got == {
        "battery_percent": 73.5,
        "battery_health_percent": None,
        "battery_volts": 51.2,
        "battery_amperes": -1.8,
        "battery_watts": -92.0,
    }


def test_a_short_model_has_absent_points_and_an_odd_scale_is_garbled() -> None:
    assert read(model_802(SoC=50)[:12])["battery_volts"] is None
    with pytest.raises(Garbled):
        read(model_802(SoC=50, SoC_SF=77))


@pytest.mark.parametrize("words", [[0xFFFF, 0], [0, 0], [5]])
def test_the_chain_of_models_ends(words: list[int]) -> None:
    assert next_model(40_002, words) is None


def test_a_model_that_cannot_be_is_garbled() -> None:
    assert next_model(40_002, [802, 62]) == Model(802, 40_004, 62)
    with pytest.raises(Garbled):
        next_model(40_002, [802, 60_000])


@pytest.mark.parametrize(
    ("words", "kind", "low_first", "got"),
    [
        ([0xFFFE], "s16", False, -2.0),
        ([0x0001, 0x86A0], "u32", False, 100_000.0),
        ([0x86A0, 0x0001], "u32", True, 100_000.0),
        ([0xFFFF, 0xFFFE], "s32", False, -2.0),
        ([0x4248, 0xF5C3], "f32", False, 50.24),  # IEEE 754
    ],
)
def test_numbers_in_registers(words: list[int], kind: str, low_first: bool, got: float) -> None:
    assert number(words, kind, low_first) == pytest.approx(got, rel=1e-6)


def test_the_shipped_controller_reads_as_written(sheets: Sheets) -> None:
    sheet = sheets.modbus["solar-controller"]
    words = {256: 7210, 257: 12_000, 258: 0, 260: 2610, 261: 0xFF38, 262: 0x8000, 263: 81}
    got: dict[str, Any] = {}
    for register in sheet.registers:
        try:
            got[register.quantity] = value(register, words)
        except Absent:
            got[register.quantity] = None
    assert got == {
        "panel_volts": 72.1,
        "panel_watts": 120.0,
        "battery_volts": 26.1,
        "battery_amperes": -2.0,
        "battery_c": None,
        "battery_percent": 81.0,
        "load_watts": None,
    }
    assert spans(sheet) == [("input", 256, 12)]


def register(at: int, kind: str) -> Register:
    given_ = {"at": at, "table": "input", "type": kind, "quantity": "panel_watts", "source": "test"}
    return Register.model_validate(given_)


@given(st.lists(st.tuples(st.integers(0, 500), st.sampled_from(["u16", "u32"])), min_size=1, max_size=20))
def test_every_register_is_in_some_read_of_a_size_that_modbus_allows(pairs: list[tuple[int, str]]) -> None:
    sheet = RegisterSheet(title="x", registers=[register(at, kind) for at, kind in pairs])
    covered = {first + i for _, first, count in spans(sheet) for i in range(count)}
    assert all(at in covered and (kind == "u16" or at + 1 in covered) for at, kind in pairs)
    assert all(count <= 125 for _, _, count in spans(sheet))  # Modbus Application Protocol V1.1b3, 6.3
