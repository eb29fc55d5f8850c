"""The codec against pyasn1, which is the reference: round trips, mutants, and what real agents send."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyasn1.codec.ber import decoder, encoder
from pyasn1.error import PyAsn1Error
from pyasn1.type import univ
from pysnmp.proto import rfc1902, rfc1905
from pysnmp.proto.api import v2c

from monitor.devices.ask import snmp_ber as ber
from monitor.devices.decode.raw import Missing, Oid, Raw, Unread

oids = st.builds(lambda tail: (1, 3, *tail), st.lists(st.integers(0, 2**32 - 1), min_size=1, max_size=20).map(tuple))
typed = st.one_of(
    st.integers(-(2**31), 2**31 - 1).map(lambda n: (rfc1902.Integer32(n), n)),
    st.integers(0, 2**32 - 1).map(lambda n: (rfc1902.Counter32(n), n)),
    st.integers(0, 2**32 - 1).map(lambda n: (rfc1902.Gauge32(n), n)),
    st.integers(0, 2**32 - 1).map(lambda n: (rfc1902.TimeTicks(n), n)),
    st.integers(0, 2**64 - 1).map(lambda n: (rfc1902.Counter64(n), n)),
    st.binary(max_size=300).map(lambda b: (rfc1902.OctetString(b), b)),
    st.binary(min_size=4, max_size=4).map(lambda b: (rfc1902.IpAddress(b), b)),
    oids.map(lambda o: (rfc1902.ObjectName(o), o)),
    st.just((rfc1905.noSuchObject, Missing.NO_SUCH_OBJECT)),
    st.just((rfc1905.noSuchInstance, Missing.NO_SUCH_INSTANCE)),
    st.just((rfc1905.endOfMibView, Missing.END_OF_MIB_VIEW)),
)


def message(pairs: list[tuple[Oid, object]]) -> bytes:
    """A response as pysnmp writes it."""
    pdu = v2c.ResponsePDU()
    v2c.apiPDU.set_defaults(pdu)
    v2c.apiPDU.set_request_id(pdu, 0x41424344)
    v2c.apiPDU.set_varbinds(pdu, pairs)
    whole = v2c.Message()
    v2c.apiMessage.set_defaults(whole)
    v2c.apiMessage.set_community(whole, b"farm")
    v2c.apiMessage.set_pdu(whole, pdu)
    return bytes(encoder.encode(whole))


def read(data: bytes) -> list[tuple[Oid, Raw]]:
    """The same through our own codec."""
    at, stop = ber.inside(data, 0, len(data), ber.SEQUENCE)
    _, at = ber.integer(data, at, stop)
    _, at = ber.octets(data, at, stop)
    _, _, _, at, stop = ber.response(data, at, stop)
    return [(ber.name(encoded), raw) for encoded, raw in ber.varbinds(data, at, stop)]


@given(st.lists(st.tuples(oids, typed), max_size=12))
def test_what_pysnmp_writes_we_read(varbinds: list[tuple[Oid, tuple[object, Raw]]]) -> None:
    data = message([(oid, value) for oid, (value, _) in varbinds])
    assert read(data) == [(oid, raw) for oid, (_, raw) in varbinds]


@given(st.lists(st.tuples(oids, typed), max_size=12, unique_by=lambda pair: pair[0]))
def test_the_hot_loop_reads_what_the_plain_one_reads(varbinds: list[tuple[Oid, tuple[object, Raw]]]) -> None:
    data = message([(oid, value) for oid, (value, _) in varbinds])
    at, stop = ber.inside(data, 0, len(data), ber.SEQUENCE)
    _, at = ber.integer(data, at, stop)
    _, at = ber.octets(data, at, stop)
    _, _, _, at, stop = ber.response(data, at, stop)
    values: list[Raw | None] = [None] * len(varbinds)
    ber.collect(data, at, stop, {ber.key(oid): i for i, (oid, _) in enumerate(varbinds)}, values)
    assert values == [None if raw is Missing.END_OF_MIB_VIEW else raw for _, (_, raw) in varbinds]


def test_the_end_of_the_view_never_replaces_the_value_of_the_last_object() -> None:
    """It comes under that object's name: RFC 3416 section 4.2.3."""
    last: Oid = (1, 3, 6, 1, 4, 1, 32473, 5)
    data = message([(last, rfc1902.Integer32(7)), (last, rfc1905.endOfMibView), (last, rfc1905.endOfMibView)])
    at, stop = ber.inside(data, 0, len(data), ber.SEQUENCE)
    _, at = ber.integer(data, at, stop)
    _, at = ber.octets(data, at, stop)
    _, _, _, at, stop = ber.response(data, at, stop)
    values: list[Raw | None] = [None]
    ber.collect(data, at, stop, {ber.key(last): 0}, values)
    assert values == [7]


@given(oids)
def test_names_are_written_as_pyasn1_writes_them(oid: Oid) -> None:
    assert ber.key(oid) == encoder.encode(univ.ObjectIdentifier(oid))
    assert ber.name(ber.encoded(oid)) == oid


@given(st.integers(-(2**63), 2**63 - 1))
def test_numbers_are_written_as_pyasn1_writes_them(number: int) -> None:
    assert ber.number(number) == encoder.encode(univ.Integer(number))


def mutant(data: bytes, choose: random.Random) -> bytes:
    made = bytearray(data)
    for _ in range(choose.randint(1, 4)):
        kind = choose.randrange(4)
        at = choose.randrange(len(made)) if made else 0
        if kind == 0 and made:
            made[at] = choose.randrange(256)
        elif kind == 1 and made:
            del made[at : at + choose.randint(1, 6)]
        elif kind == 2:
            made[at:at] = choose.randbytes(choose.randint(1, 6))
        elif made:
            made[at] ^= 1 << choose.randrange(8)
    return bytes(made)


def outcome(data: bytes) -> list[tuple[Oid, Raw]] | None:
    """What we read of anything; None where we refuse it. Nothing else may happen."""
    try:
        return read(data)
    except ber.Undecodable:
        return None


def reference(data: bytes) -> list[tuple[Oid, object]] | None:
    """What pysnmp reads of it."""
    try:
        whole, rest = decoder.decode(data, asn1Spec=v2c.Message())
        if rest or v2c.apiMessage.get_version(whole) != 1:
            return None
        pdu = v2c.apiMessage.get_pdu(whole)
        return [(tuple(oid), value) for oid, value in v2c.apiPDU.get_varbinds(pdu)]
    except (PyAsn1Error, IndexError, AttributeError, TypeError, ValueError, OverflowError, MemoryError):
        return None  # the reference itself falls over some of them


def agrees(data: bytes) -> bool:
    """Where both read a message, they read the same names and the same numbers and octets."""
    ours, theirs = outcome(data), reference(data)
    if ours is None or theirs is None:
        return True
    if [oid for oid, _ in ours] != [oid for oid, _ in theirs]:
        return False
    for (_, raw), (_, value) in zip(ours, theirs, strict=True):
        if isinstance(raw, Unread | Missing):
            continue
        if isinstance(raw, int) and int(value) not in (raw, raw - 2**64, raw - 2**32):  # type: ignore[call-overload]  # a number of pysnmp's
            return False
        if isinstance(raw, bytes) and isinstance(value, univ.OctetString) and bytes(value) != raw:
            return False
    return True


@settings(max_examples=400)
@given(st.lists(st.tuples(oids, typed), min_size=1, max_size=6), st.integers(0, 2**32))
def test_mutants_are_read_alike_or_refused(varbinds: list[tuple[Oid, tuple[object, Raw]]], seed: int) -> None:
    data = mutant(message([(oid, value) for oid, (value, _) in varbinds]), random.Random(seed))
    assert agrees(data)


@given(st.binary(max_size=400))
def test_noise_is_refused_or_read_and_nothing_else(data: bytes) -> None:
    outcome(data)


def test_what_real_agents_send() -> None:
    # Counter64 with its top bit set and no leading zero; X.690 8.3 would want nine octets.
    assert ber.value(ber.COUNTER64, b"\xff" * 8) == 2**64 - 1
    # An INTEGER of more than 32 bits, against RFC 2578 section 7.1.1.
    assert ber.value(ber.INTEGER, (2**40).to_bytes(6, "big")) == 2**40
    assert isinstance(ber.value(ber.GAUGE32, b""), Unread)
    assert isinstance(ber.value(0x5F, b"abc"), Unread)
    # Lengths in long form where the short one would do: X.690 section 8.1.3.5 allows it.
    assert ber.header(b"\x04\x82\x00\x01x", 0, 5) == (0x04, 4, 5)
    assert ber.header(b"\x04\x84\x00\x00\x00\x01x", 0, 7) == (0x04, 6, 7)


@pytest.mark.parametrize(
    "data", ["30", "3005020101", "30800201010403", "3006020101040166", "30820fff0201", "0485000000000178"]
)
def test_what_cannot_be_read_is_said(data: str) -> None:
    with pytest.raises(ber.Undecodable):
        read(bytes.fromhex(data))


def test_a_name_with_too_many_numbers_is_refused() -> None:
    with pytest.raises(ber.Undecodable):
        ber.name(b"\x2b" + b"\x01" * 200)
    with pytest.raises(ber.Undecodable):
        ber.name(b"\x2b\xff\xff\xff\xff\xff\xff\x7f")
