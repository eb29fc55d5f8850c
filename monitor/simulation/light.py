"""Fibre runs with their own glass, connectors and lasers, drawn once per run from a seed."""

import math
import random
from dataclasses import dataclass

from monitor.plan.parts import Fibre

_GLASS_DB_PER_KM = {850: 2.6, 1310: 0.34, 1490: 0.25, 1550: 0.21}
BEND = {850: 0.2, 1310: 1.0, 1490: 2.4, 1550: 3.4}
"""How much more a bend costs than at 1310 nm; that it costs more at the longer wavelength is common practice."""
_NM = {"bx10-d": (1490, 1310), "bx10-u": (1310, 1490), "-sx": (850, 850), "-sr": (850, 850), "-er": (1550, 1550)}


def colours(optic: str) -> tuple[int, int]:
    """Wavelengths [nm] that an optic sends and receives, by its name."""
    return next((nm for ending, nm in _NM.items() if optic.endswith(ending)), (1310, 1310))


_WANDER_DB, _WANDER_S = 0.06, 20 * 86_400.0
"""How much a connection's loss wanders, and how slowly (common practice, no source)."""


@dataclass
class Laser:
    """One optic: what it sends, its threshold current, its serial number, how wrong its own meters are."""

    nm: int
    tx_dbm: float
    bias_ma: float
    serial: str
    rx_wrong_db: float = 0.0
    tx_wrong_db: float = 0.0
    aged: float = 0.0
    """0 new, 1 at its end: the bias creeps from the start, the light falls in the last third (a knee)."""
    weaker_db: float = 0.0

    @classmethod
    def drawn(cls, optic: str, chance: random.Random) -> "Laser":
        """One out of the box. SFF-8472 allows ±3 dB of error in what it says; most are much better."""
        return cls(
            colours(optic)[0],
            chance.gauss(-5.6, 0.5),
            chance.gauss(16, 1.5),
            f"TD{chance.randrange(10**8):08d}",
            max(-1.5, min(1.5, chance.gauss(0, 0.4))),
            max(-1.5, min(1.5, chance.gauss(0, 0.4))),
        )


@dataclass
class Run:
    """One fibre run with the optic at each end; what faults add, by cause."""

    near: Laser
    far: Laser
    length_km: float
    joints_db: float
    duplex: bool = False
    cut: bool = False
    dirt_db: float = 0.0
    bend_db: float = 0.0
    """At 1310 nm."""
    wander_db: float = 0.0
    """Connectors breathe: a loss that comes and goes over some twenty days, alike at all wavelengths."""

    def breathe(self, elapsed_s: float, chance: random.Random) -> None:
        """Let the wander go on."""
        keep = math.exp(-elapsed_s / _WANDER_S)
        self.wander_db = keep * self.wander_db + _WANDER_DB * math.sqrt(1 - keep * keep) * chance.gauss(0, 1)

    @classmethod
    def of(cls, fibre: Fibre, seed: str) -> "Run":
        """A run as it came out when it was built: some connectors better than others."""
        chance = random.Random(seed)  # physics, not secrets
        joints = sum(abs(chance.gauss(0.28, 0.08)) for _ in range(fibre.connectors))
        joints += sum(abs(chance.gauss(0.05, 0.04)) for _ in range(fibre.splices))
        near, far = (Laser.drawn(optic, chance) for optic in (fibre.start.optic, fibre.end.optic))
        return cls(near, far, fibre.length_m / 1000, joints, duplex=near.nm == far.nm)

    def loss_db(self, nm: int, inward: bool = True) -> float:
        """Loss at a wavelength; infinite where the fibre is cut. Dirt on one of two fibres costs only one way."""
        if self.cut:
            return math.inf
        dirt = self.dirt_db if inward or not self.duplex else 0.0
        return _GLASS_DB_PER_KM[nm] * self.length_km + self.joints_db + self.wander_db + dirt + self.bend_db * BEND[nm]


def tx_now_dbm(laser: Laser, optic_c: float) -> float:
    """What a laser sends at a temperature: its control loop is not perfect, and at its end it cannot follow."""
    knee = max(0.0, laser.aged - 0.67) / 0.33
    return laser.tx_dbm - 0.006 * (optic_c - 35) - 6.0 * knee - laser.weaker_db


def bias_now_ma(laser: Laser, optic_c: float) -> float:
    """Bias current at a temperature: the threshold grows by e every 90 K or so, and by half until the knee."""
    aged = 1 + 0.5 * min(laser.aged, 0.67) / 0.67 + 0.4 * laser.aged**4
    return laser.bias_ma * math.exp((optic_c - 35) / 90) * aged
