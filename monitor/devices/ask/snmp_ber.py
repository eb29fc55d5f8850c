"""Just as much of BER (ITU-T X.690) as SNMP needs (RFC 3416 section 3, RFC 3417 section 8). Pure functions.

Real agents are met half-way: lengths in long form where short would do, Counter64 with the top bit set and no
leading zero, integers over 32 bits. What cannot be read at all raises Undecodable; one value that cannot be read
becomes an Unread and leaves its neighbours alone.
"""

from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache

from monitor.devices.decode.raw import Missing, Oid, Raw, Unread

INTEGER, OCTETS, NULL, OBJECT, SEQUENCE = 0x02, 0x04, 0x05, 0x06, 0x30
ADDRESS, COUNTER32, GAUGE32, TICKS, OPAQUE, COUNTER64, UNSIGNED32 = 0x40, 0x41, 0x42, 0x43, 0x44, 0x46, 0x47
GET, GET_NEXT, RESPONSE, GET_BULK, REPORT = 0xA0, 0xA1, 0xA2, 0xA5, 0xA8

_UNSIGNED = bytes(tag in (COUNTER32, GAUGE32, TICKS, COUNTER64, UNSIGNED32) for tag in range(256))
"""1 at the tags of numbers that have no sign."""
_MISSING: dict[int, Missing] = {
    NULL: Missing.NO_SUCH_OBJECT,  # beside no error: the agent has nothing there
    0x80: Missing.NO_SUCH_OBJECT,
    0x81: Missing.NO_SUCH_INSTANCE,
    0x82: Missing.END_OF_MIB_VIEW,
}
_END_OF_VIEW = 0x82
_MOST_SUBIDS = 128
"""RFC 3416 section 4.1: an object's name has at most 128 sub-identifiers."""
_MOST_INTEGER_OCTETS = 9
"""Counter64 takes nine octets with its leading zero."""
_from_bytes = int.from_bytes


class Undecodable(ValueError):
    """What came is no SNMP message that can be read."""


def header(data: bytes, at: int, stop: int) -> tuple[int, int, int]:
    """Tag, beginning and end of the contents of the element at ``at``; raises Undecodable.

    >>> header(bytes.fromhex("020105"), 0, 3)
    (2, 2, 3)
    """
    if at + 2 > stop:
        raise Undecodable("it ends in the middle of an element")
    length, begin = data[at + 1], at + 2
    if length > 0x7F:
        n = length & 0x7F
        if not 1 <= n <= 4 or begin + n > stop:
            raise Undecodable("a length that SNMP does not have")
        length = _from_bytes(data[begin : begin + n], "big")
        begin += n
    if begin + length > stop:
        raise Undecodable("an element is longer than what came")
    return data[at], begin, begin + length


def inside(data: bytes, at: int, stop: int, tag: int) -> tuple[int, int]:
    """Beginning and end of an element that must have this tag."""
    if at + 1 < stop and data[at] == tag and (length := data[at + 1]) < 0x80 and at + 2 + length <= stop:
        return at + 2, at + 2 + length  # as nearly all are
    found, begin, end = header(data, at, stop)
    if found != tag:
        raise Undecodable(f"tag {found:#04x} came where {tag:#04x} belongs")
    return begin, end


def integer(data: bytes, at: int, stop: int) -> tuple[int, int]:
    """An INTEGER of a message's own fields, and where it ends."""
    begin, end = inside(data, at, stop, INTEGER)
    if not 1 <= end - begin <= _MOST_INTEGER_OCTETS:
        raise Undecodable("an integer without octets, or with too many")
    return _from_bytes(data[begin:end], "big", signed=True), end


def octets(data: bytes, at: int, stop: int) -> tuple[bytes, int]:
    """An OCTET STRING of a message's own fields, and where it ends."""
    begin, end = inside(data, at, stop, OCTETS)
    return data[begin:end], end


def name(data: bytes) -> Oid:
    """The numbers of an encoded object name; X.690 section 8.19.

    >>> name(bytes.fromhex("2b06010201010300"))
    (1, 3, 6, 1, 2, 1, 1, 3, 0)
    """
    numbers: list[int] = []
    value = 0
    for octet in data:
        value = value << 7 | octet & 0x7F
        if value > 0xFFFF_FFFF + 80:
            raise Undecodable("a sub-identifier over 32 bits")
        if octet < 0x80:
            numbers.append(value)
            value = 0
    if not data or data[-1] > 0x7F or len(numbers) >= _MOST_SUBIDS:
        raise Undecodable("an object name that cannot be")
    first = min(numbers[0] // 40, 2)
    return (first, numbers[0] - 40 * first, *numbers[1:])


def varbinds(data: bytes, at: int, stop: int) -> Iterator[tuple[bytes, Raw]]:
    """Encoded names and values, one after the other."""
    while at < stop:
        begin, end = inside(data, at, stop, SEQUENCE)
        name_at, name_end = inside(data, begin, end, OBJECT)
        tag, value_at, value_end = header(data, name_end, end)
        if value_end != end:
            raise Undecodable("more than a name and a value in one varbind")
        yield data[name_at:name_end], value(tag, data[value_at:value_end])
        at = end


def response(data: bytes, at: int, stop: int) -> tuple[int, int, int, int, int]:
    """A Response's request id, error status and index, and where its varbinds begin and end."""
    at, stop = inside(data, at, stop, RESPONSE)
    if data.startswith(_NO_ERROR, at + 6) and data[at : at + 2] == b"\x02\x04":  # as nearly all are
        begin, end = inside(data, at + 12, stop, SEQUENCE)
        return _from_bytes(data[at + 2 : at + 6], "big", signed=True), 0, 0, begin, end
    number, at = integer(data, at, stop)
    status, at = integer(data, at, stop)
    index, at = integer(data, at, stop)
    return number, status, index, *inside(data, at, stop, SEQUENCE)


_NO_ERROR = b"\x02\x01\x00\x02\x01\x00"


def collect(data: bytes, at: int, stop: int, slots: Mapping[bytes, int], values: list[Raw | None]) -> None:
    """Put the values of wanted objects (``key`` → slot) where they belong.

    The end of the view comes under the name of the last object before it (RFC 3416 section 4.2.3) and is no value.

    The hot loop: it knows wanted objects, short lengths and the common types, and leaves the rest to
    ``_slowly``. What stands in it twice, stands there for speed; the tests hold it against ``varbinds``.
    """
    find, unsigned, from_bytes = slots.get, _UNSIGNED, _from_bytes
    try:
        while at < stop:
            tag_at = at + 4 + data[at + 3]
            size = data[tag_at + 1]
            end = tag_at + 2 + size
            slot = find(data[at + 2 : tag_at])
            if slot is None or end - at - 2 != data[at + 1] or size > 0x7F or data[at] != SEQUENCE:
                at = _slowly(data, at, stop, slots, values)
            else:
                tag = data[tag_at]
                if unsigned[tag] and 0 < size <= _MOST_INTEGER_OCTETS:
                    values[slot] = from_bytes(data[tag_at + 2 : end], "big")
                elif tag == INTEGER and size == 1 and data[end - 1] < 0x80:
                    values[slot] = data[end - 1]
                elif tag != _END_OF_VIEW:
                    values[slot] = value(tag, data[tag_at + 2 : end])
                at = end
    except IndexError:
        raise Undecodable("it ends in the middle of an element") from None
    if at != stop:
        raise Undecodable("a varbind is longer than the list that it is in")


def _slowly(data: bytes, at: int, stop: int, slots: Mapping[bytes, int], values: list[Raw | None]) -> int:
    """One varbind with every length and type that may come; where it ends."""
    _, end = inside(data, at, stop, SEQUENCE)
    for encoded_name, raw in varbinds(data, at, end):
        slot = slots.get(element(OBJECT, encoded_name))
        if slot is not None and raw is not Missing.END_OF_MIB_VIEW:
            values[slot] = raw
    return end


def value(tag: int, contents: bytes) -> Raw:
    """One value. Unsigned types are read as unsigned also where an agent forgot the leading zero.

    >>> value(COUNTER64, bytes.fromhex("ffffffffffffffff")) == 2**64 - 1
    True
    """
    if tag == INTEGER or _UNSIGNED[tag]:
        if not 1 <= len(contents) <= _MOST_INTEGER_OCTETS:
            return Unread(tag, contents, f"a number of {len(contents)} octets")
        return _from_bytes(contents, "big", signed=tag == INTEGER)
    if tag in (OCTETS, ADDRESS, OPAQUE):
        return contents
    if tag == OBJECT:
        try:
            return name(contents)
        except Undecodable as error:
            return Unread(tag, contents, str(error))
    return _MISSING.get(tag) or Unread(tag, contents, f"a value of the unknown type {tag:#04x}")


# ---- writing


def element(tag: int, *contents: bytes) -> bytes:
    """An element with its tag and length."""
    body = contents[0] if len(contents) == 1 else b"".join(contents)
    return head(tag, len(body)) + body


@lru_cache(2000)
def head(tag: int, n: int) -> bytes:
    """Tag and length of an element of ``n`` octets.

    >>> head(0x30, 5).hex(), head(0x30, 1400).hex()
    ('3005', '30820578')
    """
    if n < 0x80:
        return bytes((tag, n))
    return bytes((tag, 0x82, n >> 8, n & 0xFF)) if n > 0xFF else bytes((tag, 0x81, n))


def number(number_: int) -> bytes:
    """An INTEGER in as few octets as it takes.

    >>> number(128).hex(), number(-1).hex()
    ('02020080', '0201ff')
    """
    return element(INTEGER, number_.to_bytes(number_.bit_length() // 8 + 1, "big", signed=True))


@lru_cache(50_000)
def encoded(oid: Oid) -> bytes:
    """The contents octets of an object name.

    >>> encoded((1, 3, 6, 1, 4, 1, 32473)).hex()
    '2b0601040181fd59'
    """
    head = oid[0] * 40 + (oid[1] if len(oid) > 1 else 0)
    out = bytearray()
    for part in (head, *oid[2:]):
        septets = [part & 0x7F]
        while part > 0x7F:
            part >>= 7
            septets.append(part & 0x7F | 0x80)
        out += bytes(reversed(septets))
    return bytes(out)


def key(oid: Oid) -> bytes:
    """An object name as an element: what ``collect`` looks for."""
    return element(OBJECT, encoded(oid))


def question(oids: Sequence[Oid]) -> bytes:
    """A varbind list with names and no values."""
    return element(SEQUENCE, *(element(SEQUENCE, key(oid), b"\x05\x00") for oid in oids))
