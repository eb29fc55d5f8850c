"""What is out of range is refused with the quantity, the value and the range in the message."""

from collections.abc import Callable

import pytest

from monitor.budgets.autonomy import capacity_share, daily_wh, day_hours
from monitor.budgets.bandwidth import frames_per_s
from monitor.budgets.feeder import Stretch, constant_power_volts, loop_ohms, ohms_at, solve_tree
from monitor.budgets.optical import loss_terms
from monitor.budgets.poe import channel_ohms
from monitor.budgets.protection import fault_amperes
from monitor.budgets.terms import Term, total
from monitor.plan.datasheets import BatterySheet, FibreSheet, Sourced

ONE = Sourced(value=1, source="test")
GLASS = FibreSheet(medium="single-mode", db_per_km={1310: ONE}, db_per_connector=ONE, db_per_splice=ONE)
BANK = BatterySheet(capacity_share={0: 0.8, 20: 1.0}, cell_volts=2, cutoff_volts_per_cell=1.8, source="test")

REFUSED: list[tuple[Callable[[], object], str]] = [
    (lambda: ohms_at(1, 20, 151, 0.004), "conductor temperature 151 °C is outside -60 to 150 °C"),
    (lambda: ohms_at(1, 20, -61, 0.004), "conductor temperature -61 °C is outside -60 to 150 °C"),
    (lambda: loop_ohms(1, 200_001), "length of the feeder 200001 m is outside 0 to 200000 m"),
    (lambda: loop_ohms(1, -1), "length of the feeder -1 m is outside 0 to 200000 m"),
    (lambda: constant_power_volts(0, 1, 1), "supply 0 V is outside 1e-09 to 1500 V"),
    (lambda: constant_power_volts(1501, 1, 1), "supply 1501 V is outside 1e-09 to 1500 V"),
    (lambda: constant_power_volts(48, -1, 1), "power -1 W is outside 0 to 1e+06 W"),
    (lambda: constant_power_volts(48, 2e6, 1), "power 2e+06 W is outside 0 to 1e+06 W"),
    (lambda: constant_power_volts(48, 1, -1), "loop -1 Ω is outside 0 to 1e+06 Ω"),
    (lambda: constant_power_volts(48, 0, 2e6), "loop 2e+06 Ω is outside 0 to 1e+06 Ω"),
    (lambda: constant_power_volts(48, 33, 18), "33 W over 18 Ω from 48 V: no more than 32.0 W can be carried"),
    (
        lambda: solve_tree(48, {"a": Stretch("b", 1, 1), "b": Stretch("a", 1, 1)}),
        "these stretches start nowhere or in a circle: a, b",
    ),
    (lambda: solve_tree(48, {"a": Stretch(None, 18, 33)}), "the loads draw more than this feeder can carry"),
    (lambda: channel_ohms(201, False, 93.8), "cable 201 m is outside 0 to 200 m"),
    (lambda: channel_ohms(-1, False, 93.8), "cable -1 m is outside 0 to 200 m"),
    (lambda: fault_amperes(54, 0), "loop 0 Ω is outside 1e-06 to 1e+06 Ω"),
    (lambda: fault_amperes(54, 2e6), "loop 2e+06 Ω is outside 1e-06 to 1e+06 Ω"),
    (lambda: frames_per_s(1e9, 63), "frame 63 bytes is outside 64 to 9216 bytes"),
    (lambda: frames_per_s(1e9, 9217), "frame 9217 bytes is outside 64 to 9216 bytes"),
    (lambda: day_hours(91, 1), "latitude 91 ° is outside -90 to 90 °"),
    (lambda: day_hours(-91, 1), "latitude -91 ° is outside -90 to 90 °"),
    (lambda: day_hours(0, 0), "day of the year 0 is outside 1 to 366"),
    (lambda: day_hours(0, 367), "day of the year 367 is outside 1 to 366"),
    (lambda: daily_wh(1, 1, 25), "night 25 h is outside 0 to 24 h"),
    (lambda: daily_wh(1, 1, -1), "night -1 h is outside 0 to 24 h"),
    (lambda: capacity_share(BANK, -1), "battery temperature -1 °C is outside 0 to 20 °C"),
    (lambda: capacity_share(BANK, 21), "battery temperature 21 °C is outside 0 to 20 °C"),
    (lambda: loss_terms(GLASS, 1310, -1, 0, 0), "length of the run -1 m is outside 0 to 200000 m"),
    (lambda: loss_terms(GLASS, 1310, 200_001, 0, 0), "length of the run 200001 m is outside 0 to 200000 m"),
    (lambda: loss_terms(GLASS, 1550, 1, 0, 0), "the fibre's datasheet has no attenuation at 1550 nm (only 1310 nm)"),
    (lambda: total((Term("a", 1, "dB", "x"), Term("b", 1, "W", "x"))), "terms of different units do not add up"),
]


@pytest.mark.parametrize(("call", "said"), REFUSED, ids=[said for _, said in REFUSED])
def test_refused_with_the_range(call: Callable[[], object], said: str) -> None:
    with pytest.raises(ValueError) as caught:  # noqa: PT011  # the whole message is compared below
        call()
    assert str(caught.value) == said


@pytest.mark.parametrize(
    "call",
    [
        lambda: ohms_at(1, 20, 150, 0.004),
        lambda: ohms_at(1, 20, -60, 0.004),
        lambda: loop_ohms(1, 200_000),
        lambda: loop_ohms(1, 0),
        lambda: constant_power_volts(1500, 1, 1),
        lambda: constant_power_volts(48, 0, 1),
        lambda: constant_power_volts(48, 0, 0),
        lambda: constant_power_volts(1500, 1e6, 0),
        lambda: constant_power_volts(48, 0, 1e6),
        lambda: channel_ohms(200, False, 93.8),
        lambda: channel_ohms(0, True, 93.8),
        lambda: fault_amperes(54, 1e-6),
        lambda: fault_amperes(54, 1e6),
        lambda: frames_per_s(1e9, 64),
        lambda: frames_per_s(1e9, 9216),
        lambda: day_hours(90, 1),
        lambda: day_hours(-90, 366),
        lambda: daily_wh(1, 1, 0),
        lambda: daily_wh(1, 1, 24),
        lambda: capacity_share(BANK, 0),
        lambda: capacity_share(BANK, 20),
        lambda: loss_terms(GLASS, 1310, 0, 0, 0),
        lambda: loss_terms(GLASS, 1310, 200_000, 0, 0),
    ],
)
def test_the_ends_of_each_range_are_taken(call: Callable[[], object]) -> None:
    call()
