"""A line of a budget: what, how much, and who says so."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Term:
    """One itemised contribution to a budget, signed as it enters the sum."""

    name: str
    value: float
    unit: str
    source: str


def total(terms: tuple[Term, ...]) -> float:
    """Sum of terms that share one unit.

    >>> total((Term("fibre", 0.3, "dB", "x"), Term("connectors", 3.0, "dB", "x")))
    3.3
    """
    if len({term.unit for term in terms}) > 1:
        raise ValueError("terms of different units do not add up")
    return sum(term.value for term in terms)


def need(name: str, value: float, low: float, high: float, unit: str) -> None:
    """Refuse a value outside the range in which a formula holds; the range stands in the message.

    >>> need("length", -1, 0, 200, "km")
    Traceback (most recent call last):
    ...
    ValueError: length -1 km is outside 0 to 200 km
    """
    if not low <= value <= high:
        of = f" {unit}" if unit else ""
        raise ValueError(f"{name} {value:g}{of} is outside {low:g} to {high:g}{of}")
