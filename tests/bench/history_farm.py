"""Readings of a farm for the bench of the history: what switches of ten ports and two optics say, minute by minute."""

import random
from array import array
from collections.abc import Callable

from monitor.facts.readings import Layout, Round, Slot

POLES, PORTS, DAY_S, T0 = 12, 10, 86_400, 1_790_035_200 // 86_400 * 86_400
Walk = Callable[[random.Random, float, int], float]


def _counter(step: int) -> Walk:
    return lambda rng, last, at: last + rng.randrange(step // 2, step)


def _noise(middle: float, spread: float, resolution: float) -> Walk:
    return lambda rng, last, at: round(round((middle + rng.gauss(0, spread)) / resolution) * resolution, 6)


def _still(value: float) -> Walk:
    return lambda rng, last, at: value


def _series(pole: int) -> list[tuple[Slot, Walk]]:
    """125 series of a pole, as a switch with ten ports and two optics has them."""
    name, made = f"pole-{pole}", list[tuple[Slot, Walk]]()
    for port in range(PORTS):
        at = f"{name}/port/{port}"
        busy = port < 4  # three cameras or access points, and the way home
        for quantity in ("in_octets", "out_octets"):
            made.append((Slot(at, quantity), _counter(30_000_000 if busy else 4_000)))
        made.append((Slot(at, "port_watts"), _noise(6.4, 0.3, 0.1) if busy else _still(0.0)))
        kinds = ("link_state", "speed_megabits_per_s", "in_error_frames", "out_error_frames", "in_discard_frames")
        made += [(Slot(at, kind), _still(1.0)) for kind in (*kinds, "out_discard_frames", "poe_class_state")]
    for optic in range(2):
        at = f"{name}/optic/{optic}"
        made += [
            (Slot(at, "rx_dbm"), _noise(-7.3 - optic, 0.02, 0.01)),
            (Slot(at, "tx_dbm"), _noise(-5.1, 0.02, 0.01)),
            (Slot(at, "bias_milliamperes"), _noise(21.0, 0.03, 0.002)),
            (Slot(at, "optic_c"), _noise(31.0, 0.2, 0.004)),
            (Slot(at, "optic_volts"), _noise(3.29, 0.003, 0.0001)),
        ]
    made.append((Slot(f"{name}/switch", "input_volts"), _noise(51.2, 0.1, 0.1)))
    made += [(Slot(f"{name}/load-{i}", "ping_seconds"), _noise(0.002, 0.0003, 0.0001)) for i in range(125 - len(made))]
    return made


class Farm:
    """Rounds of a farm, one after the other."""

    def __init__(self, seed: int = 1) -> None:
        self._rng, self._series = random.Random(seed), [_series(pole) for pole in range(POLES)]
        names = [tuple(slot for slot, _ in series) for series in self._series]
        self.layouts = [Layout(f"pole-{i}/switch", "measure", slots) for i, slots in enumerate(names)]
        self._last = [[0.0] * len(series) for series in self._series]

    def round(self, at_s: int) -> list[Round]:
        made = []
        for series, layout, last in zip(self._series, self.layouts, self._last, strict=True):
            for i, (_, walk) in enumerate(series):
                last[i] = walk(self._rng, last[i], at_s)
            made.append(Round(layout, float(at_s), array("d", last), bytearray(len(last))))
        return made
