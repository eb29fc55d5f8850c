"""Answers to multicast questions: both forms, and what strangers may send."""

import struct
from ipaddress import ip_address

import dns.message
import dns.rrset
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.devices.decode import mdns
from monitor.devices.decode import ws_discovery as wsd
from monitor.devices.decode.raw import Garbled

NAMESPACES = (
    'xmlns:e="http://www.w3.org/2003/05/soap-envelope" xmlns:a="http://schemas.xmlsoap.org/ws/2004/08/addressing" '
    'xmlns:d="http://schemas.xmlsoap.org/ws/2005/04/discovery" xmlns:n="http://www.onvif.org/ver10/network/wsdl"'
)
MATCH = (
    "<d:ProbeMatch><a:EndpointReference><a:Address>urn:uuid:1</a:Address></a:EndpointReference>"
    "<d:Types>n:NetworkVideoTransmitter</d:Types>"
    "<d:Scopes>onvif://www.onvif.org/name/North%20Gate onvif://www.onvif.org/hardware/M5</d:Scopes>"
    "<d:XAddrs>http://10.20.1.11/onvif/device_service http://[fe80::1]/x</d:XAddrs></d:ProbeMatch>"
)


def envelope(body: str) -> bytes:
    return f"<e:Envelope {NAMESPACES}><e:Body>{body}</e:Body></e:Envelope>".encode()


@pytest.mark.parametrize("body", [f"<d:ProbeMatches>{MATCH}</d:ProbeMatches>", MATCH], ids=["as standard", "bare"])
def test_both_forms_of_an_answer(body: str) -> None:
    (one,) = wsd.matches(envelope(body))
    assert one.camera
    assert (one.reference, one.name, one.hardware) == ("urn:uuid:1", "North Gate", "M5")
    assert one.addresses == ("10.20.1.11", "fe80::1")


def test_a_probe_is_well_formed() -> None:
    from defusedxml.ElementTree import fromstring

    root = fromstring(wsd.probe("5", "dn:NetworkVideoTransmitter"))
    assert root.tag.endswith("Envelope")


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"<a>",
        envelope(""),
        b"<!DOCTYPE x [<!ENTITY a 'aaaa'><!ENTITY b '&a;&a;&a;'>]><x>&b;</x>",
        b"x" * 20_000,
        b"\xff\xfe<",
        b'<?xml version="1.0" encoding="no-such"?><a/>',
    ],
)
def test_what_is_no_answer_is_garbled(data: bytes) -> None:
    with pytest.raises(Garbled):
        wsd.matches(data)


@given(st.text(max_size=300), st.text(max_size=60))
def test_hostile_xml_does_no_harm(inside: str, name: str) -> None:
    try:
        found = wsd.matches(envelope(MATCH.replace("North%20Gate", name) + inside))
    except Garbled:
        return
    assert all(one.name.isprintable() and len(one.name) <= 120 for one in found)


def test_an_mdns_answer() -> None:
    answer = dns.message.make_response(dns.message.make_query("_rtsp._tcp.local.", "PTR"))
    answer.answer.append(dns.rrset.from_text("_rtsp._tcp.local.", 120, "IN", "PTR", "gate._rtsp._tcp.local."))
    answer.additional.append(dns.rrset.from_text("gate.local.", 120, "IN", "A", "10.20.1.11"))
    got = mdns.answer(answer.to_wire())
    assert got.names == ("gate._rtsp._tcp.local",)
    assert got.addresses == ("10.20.1.11",)


def test_addresses_that_replace_what_is_cached() -> None:
    """RFC 6762 section 10.2: records that are one device's alone carry the cache-flush bit in their class, 0x8001."""
    answer = dns.message.make_response(dns.message.make_query("_rtsp._tcp.local.", "PTR"))
    octets = bytearray(answer.to_wire())
    octets[10:12] = (2).to_bytes(2, "big")  # RFC 1035 section 4.1.1: two additional records follow
    for kind, address in ((1, ip_address("10.20.1.11")), (28, ip_address("fe80::1"))):
        data = address.packed
        octets += b"\x04gate\x05local\0" + struct.pack(">HHIH", kind, 0x8001, 120, len(data)) + data
    assert mdns.answer(bytes(octets)).addresses == ("10.20.1.11", "fe80::1")


def test_the_question_asks_for_pointers_only() -> None:
    asked = dns.message.from_wire(mdns.query())
    assert {str(one.name) for one in asked.question} >= {"_rtsp._tcp.local.", "_services._dns-sd._udp.local."}


@given(st.binary(max_size=600))
def test_hostile_mdns_does_no_harm(data: bytes) -> None:
    try:
        got = mdns.answer(data)
    except Garbled:
        return
    assert all(name.isprintable() for name in got.names)
