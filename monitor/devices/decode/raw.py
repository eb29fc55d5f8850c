"""Raw answers of an agent, and what they may turn into."""

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from monitor.facts.printable import one_line
from monitor.facts.readings import Slot

Oid = tuple[int, ...]


class Missing(Enum):
    """What an agent says of an object that it does not have; RFC 3416 section 3."""

    NO_SUCH_OBJECT = "noSuchObject"
    NO_SUCH_INSTANCE = "noSuchInstance"
    END_OF_MIB_VIEW = "endOfMibView"


@dataclass(frozen=True, slots=True)
class Unread:
    """A value that came and could not be read: the type's tag, its octets, and what was wrong with them."""

    tag: int
    octets: bytes
    why: str


Raw = int | bytes | Oid | Missing | Unread
Table = dict[Oid, Raw]


class Garbled(ValueError):
    """An answer that cannot be right; what it quotes of the answer is one printable line."""

    def __init__(self, why: str) -> None:
        super().__init__(one_line(why))


class Absent(ValueError):
    """The device says that it has no such value; its words are one printable line."""

    def __init__(self, why: str) -> None:
        super().__init__(one_line(why))


@dataclass(frozen=True, slots=True)
class Want:
    """One object to ask for and the slot that it fills.

    ``convert`` gives the value in the slot's unit; it raises Garbled or Absent. ``guard`` is another object
    that says whether this one is valid: object → its meaning, raising Absent or Garbled.
    """

    oid: Oid
    slot: Slot
    convert: Callable[[Raw], float]
    guard: tuple[Oid, Callable[[Raw], None]] | None = None


def oid(text: str) -> Oid:
    """A dotted OID as numbers.

    >>> oid("1.3.6.1.2.1.1.3.0")
    (1, 3, 6, 1, 2, 1, 1, 3, 0)
    """
    return tuple(int(part) for part in text.strip(".").split("."))


def dotted(numbers: Oid) -> str:
    """Numbers as a dotted OID."""
    return ".".join(map(str, numbers))


def number(raw: Raw) -> float:
    """A number as it came; anything else is garbled. A negative number sent as unsigned 32-bit is folded by
    the caller, who knows whether negative makes sense.

    >>> number(5)
    5.0
    """
    if isinstance(raw, int) and not isinstance(raw, bool):
        return float(raw)
    if isinstance(raw, Unread):
        raise Garbled(raw.why)
    raise Garbled(f"a number was expected, {shown(raw)} came")


def scaled(scale: float, absent: tuple[int, ...] = ()) -> Callable[[Raw], float]:
    """A conversion that multiplies; the numbers in ``absent`` mean "no value".

    >>> scaled(0.1)(55)
    5.5
    """

    def convert(raw: Raw) -> float:
        value = number(raw)
        if value in absent:
            raise Absent(f"the device says {value:g}, which stands for no value")
        return value * scale if scale != 0.1 else value / 10

    return convert


def text(raw: Raw) -> str:
    """Text of an OctetString as one printable line, bounded; hostile input is expected."""
    if not isinstance(raw, bytes):
        return ""
    return one_line(raw[:480].decode("utf-8", "replace")[:120])


def shown(raw: Raw) -> str:
    """A raw value for people: bounded and printable."""
    if isinstance(raw, Unread):
        return f"{raw.octets[:20].hex(' ')} ({raw.why})"
    return repr(text(raw)) if isinstance(raw, bytes) else dotted(raw)[:60] if isinstance(raw, tuple) else str(raw)[:60]


def rows(table: Table, column: Oid) -> dict[Oid, Raw]:
    """Index → value of one column of a walked table."""
    n = len(column)
    return {key[n:]: value for key, value in table.items() if key[:n] == column and not isinstance(value, Missing)}
