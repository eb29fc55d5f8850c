"""What a battery holds, by a night's energy and charge."""

import pytest

from monitor.margins.night import Night


def nights(held_wh: float, drawn_watts: float, days: int, whole_percents: bool = True) -> list[float]:
    """Fourteen hours of discharge and ten of charge a day, by the ten minutes."""
    night, found, charge = Night(1000.0), [], held_wh
    for i in range(days * 144):
        dark = i % 144 < 84
        charge = charge - drawn_watts / 6 if dark else min(held_wh, charge + 40.0)
        percent = 100 * charge / held_wh
        one = night.step(i * 600.0, round(percent) if whole_percents else percent, drawn_watts if dark else -60.0)
        found += [] if one is None else [one]
    return found


@pytest.mark.parametrize("held_wh", [1000.0, 700.0, 300.0])
def test_energy_by_charge_is_what_it_holds(held_wh: float) -> None:
    """By the definition of capacity: energy over the share of charge that it took."""
    exact = nights(held_wh, 8.0, 10, whole_percents=False)
    assert exact[1:] == pytest.approx([held_wh] * len(exact[1:]), rel=0.02)
    rounded = nights(held_wh, 8.0, 10)
    assert sum(rounded) / len(rounded) == pytest.approx(held_wh, rel=0.06)


def test_short_nights_and_gaps_tell_nothing() -> None:
    assert nights(1000.0, 1.0, 5) == []
    night = Night(1000.0)
    night.step(0.0, 100, 8.0)
    assert night.step(5 * 3600.0, 80, -10.0) is None
    assert night.step(5 * 3600.0 + 600, None, None) is None
