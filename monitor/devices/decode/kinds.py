"""What an object may say, in words: numbers with a unit, enumerations, addresses, text, times."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import IntEnum

from monitor.devices.decode.raw import Garbled, Missing, Oid, Raw, Table, Unread, dotted, number, shown, text
from monitor.facts.states import TruthValue

Said = tuple[float | str, str]
"""A value, and its unit ("" for none)."""
Read = Callable[[Raw, Oid, Table], Said]
"""Raw value, the row's index and the whole table (for objects whose meaning stands in their neighbours) → value."""


@dataclass(frozen=True, slots=True)
class Known:
    """One object of a MIB that can be read: its OID without the index, its descriptor, how to read it.

    ``label`` gives the name of a row, from its index and the whole table.
    """

    oid: Oid
    name: str
    read: Read
    label: Callable[[Oid, Table], str] = lambda index, _: dotted(index)


def measured(unit: str = "", scale: float = 1, absent: tuple[int, ...] = ()) -> Read:
    """A number; ``scale`` brings it to the unit. Numbers in ``absent`` stand for no value.

    >>> measured("V", 0.1)(543, (), {})
    (54.3, 'V')
    """

    def read(raw: Raw, _: Oid, __: Table) -> Said:
        value = number(raw)
        if value in absent:
            return "no value", ""
        # Tenths are divided: 543 · 0.1 would be 54.300000000000004.
        return (value / round(1 / scale) if scale < 1 else value * scale), unit

    return read


def counted(raw: Raw, _: Oid, __: Table) -> Said:
    """A counter. Some agents code a Counter64 with its top bit set and no leading zero: it then reads negative."""
    value = number(raw)
    return (value + 2.0**64 if value < 0 else value), ""


def enumerated(words: Mapping[int, str]) -> Read:
    """A number that stands for a word; another number is garbled."""

    def read(raw: Raw, _: Oid, __: Table) -> Said:
        value = number(raw)
        if value not in words:
            raise Garbled(f"{value:g} is none of the values that it may have: {', '.join(map(str, words))}")
        return words[int(value)], ""

    return read


def words_of(states: type[IntEnum]) -> dict[int, str]:
    """The members of an enumeration as words.

    >>> words_of(TruthValue)
    {<TruthValue.TRUE: 1>: 'true', <TruthValue.FALSE: 2>: 'false'}
    """
    return {one: one.name.lower().replace("_", " ") for one in states}


def named_states(states: type[IntEnum]) -> Read:
    """A number that stands for a member of an enumeration, by its name."""
    return enumerated(words_of(states))


TRUTH = enumerated({TruthValue.TRUE: "yes", TruthValue.FALSE: "no"})
"""TruthValue, RFC 2579."""


def printable(raw: Raw, _: Oid, __: Table) -> Said:
    """Text, made printable and bounded."""
    if not isinstance(raw, bytes):
        raise Garbled(f"text was expected, {shown(raw)} came")
    return text(raw), ""


def named(raw: Raw, _: Oid, __: Table) -> Said:
    """An object name."""
    if not isinstance(raw, tuple):
        raise Garbled(f"an object name was expected, {shown(raw)} came")
    return dotted(raw), ""


def ticks(raw: Raw, _: Oid, __: Table) -> Said:
    """Hundredths of a second (RFC 2578, TimeTicks) in seconds."""
    return number(raw) / 100, "s"


def mac(raw: Raw) -> str:
    """A hardware address in canonical form (IEEE 802), or other octets in hex.

    >>> mac(bytes.fromhex("02000000010a"))
    '02:00:00:00:01:0a'
    """
    if not isinstance(raw, bytes):
        raise Garbled(f"an address was expected, {shown(raw)} came")
    return raw[:32].hex(":")


def address(raw: Raw, _: Oid, __: Table) -> Said:
    """A hardware address; agents give an empty one where a port has none."""
    return mac(raw), ""


def bits(words: Mapping[int, str]) -> Read:
    """BITS (RFC 2578 section 7.1.4): the first bit is the top one of the first octet."""

    def read(raw: Raw, _: Oid, __: Table) -> Said:
        if not isinstance(raw, bytes):
            raise Garbled(f"bits were expected, {shown(raw)} came")
        on = [i for i in range(min(len(raw), 32) * 8) if raw[i // 8] & 0x80 >> i % 8]
        return ", ".join(words.get(i, f"bit {i}") for i in on) or "none", ""

    return read


def received(raw: Raw) -> bool:
    """Did the agent give a value at all?"""
    return not isinstance(raw, Missing)


def unreadable(raw: Raw) -> str:
    """Why a value cannot be read, or an empty text."""
    return raw.why if isinstance(raw, Unread) else ""
