"""Bit errors from counted frames with a wrong check sum: the ratio, and how sure it is."""

import math
from dataclasses import dataclass

Z95 = 1.959963984540054
FRAME_OVERHEAD_OCTETS = 18
"""Header and check sum of an Ethernet frame: IEEE 802.3 clause 3. Preamble and gap carry no check sum."""


@dataclass(frozen=True, slots=True)
class ErrorRatio:
    """Bit error ratio with the interval that holds it in 95 of 100 cases; of no errors only the upper end is known."""

    ratio: float
    low: float
    high: float


def poisson_interval(count: int) -> tuple[float, float]:
    """95 % interval of the mean of a Poisson count, by the Wilson–Hilferty approximation of the exact (Garwood) one.

    χ²_q(2k)/2 with χ²_q(ν) ≈ ν·(1 − 2/9ν + z·√(2/9ν))³. Garwood (1936), Biometrika 28, 437–442; good to 3 % from a
    count of 3 on, 8 % at 2; the ends of 0 and 1 are exact: −ln 0.025 is the upper end of no events.

    >>> [round(x, 2) for x in poisson_interval(10)], round(poisson_interval(0)[1], 3)
    ([4.79, 18.39], 3.689)
    """
    if count < 0:
        raise ValueError(f"{count} events cannot be counted")
    low = 0.0 if count == 0 else -math.log(0.975) if count == 1 else _chi_square(2 * count, -Z95) / 2
    high = -math.log(0.025) if count == 0 else _chi_square(2 * (count + 1), Z95) / 2
    return low, high


def _chi_square(degrees: int, z: float) -> float:
    share = 2 / (9 * degrees)
    return float(degrees * (1 - share + z * math.sqrt(share)) ** 3)


def bit_errors(bad_frames: int, octets: float) -> ErrorRatio | None:
    """Bit error ratio from frames with a wrong check sum among so many octets; None where nothing was received.

    While errors are rare each bad frame is one wrong bit: BER ≈ bad / bits. (A frame of n bits is bad with
    1 − (1 − BER)^n ≈ n·BER.) Good while fewer than one frame in ten is bad.

    >>> found = bit_errors(1, 4e6 / 8 * 3600 * 70)
    >>> f"{found.ratio:.1e}"
    '9.9e-13'
    """
    bits = 8 * octets
    if bits <= 0:
        return None
    low, high = poisson_interval(bad_frames)
    return ErrorRatio(bad_frames / bits, low / bits, high / bits)
