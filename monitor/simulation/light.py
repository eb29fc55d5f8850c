"""Fibre runs with their own glass, connectors and lasers, drawn once per run from a seed."""

import math
import random
from dataclasses import dataclass, field

from monitor.plan.parts import Fibre

_GLASS_DB_PER_KM = {850: 2.6, 1310: 0.34, 1490: 0.25, 1550: 0.21}
_NM = {"bx10-d": (1490, 1310), "bx10-u": (1310, 1490), "-sx": (850, 850), "-sr": (850, 850), "-er": (1550, 1550)}


def colours(optic: str) -> tuple[int, int]:
    """Wavelengths [nm] that an optic sends and receives, by its name."""
    return next((nm for ending, nm in _NM.items() if optic.endswith(ending)), (1310, 1310))


@dataclass
class Laser:
    """One optic: what it sends, its threshold current, its serial number."""

    nm: int
    tx_dbm: float
    bias_ma: float
    serial: str


@dataclass
class Run:
    """One fibre run with the optic at each end; ``extra_db`` is what faults add, by wavelength."""

    near: Laser
    far: Laser
    length_km: float
    joints_db: float
    cut: bool = False
    extra_db: dict[int, float] = field(default_factory=dict)

    @classmethod
    def of(cls, fibre: Fibre, seed: str) -> "Run":
        """A run as it came out when it was built: some connectors better than others."""
        chance = random.Random(seed)  # physics, not secrets
        joints = sum(chance.gauss(0.28, 0.08) for _ in range(fibre.connectors))
        joints += sum(abs(chance.gauss(0.05, 0.04)) for _ in range(fibre.splices))
        lasers = [
            Laser(colours(optic)[0], chance.gauss(-5.6, 0.5), chance.gauss(16, 1.5), f"TD{chance.randrange(10**8):08d}")
            for optic in (fibre.start.optic, fibre.end.optic)
        ]
        return cls(lasers[0], lasers[1], fibre.length_m / 1000, joints)

    def loss_db(self, nm: int) -> float:
        """Loss at a wavelength; infinite where the fibre is cut."""
        if self.cut:
            return math.inf
        return _GLASS_DB_PER_KM[nm] * self.length_km + self.joints_db + self.extra_db.get(nm, 0.0)


def tx_now_dbm(laser: Laser, optic_c: float) -> float:
    """What a laser sends at a temperature: its control loop is not perfect."""
    return laser.tx_dbm - 0.006 * (optic_c - 35)


def bias_now_ma(laser: Laser, optic_c: float) -> float:
    """Bias current at a temperature: the threshold grows by e every 60 K or so."""
    return laser.bias_ma * math.exp((optic_c - 35) / 90)
