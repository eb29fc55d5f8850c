"""mDNS answers (RFC 6762, DNS-SD RFC 6763): which services a device offers. Packets from strangers."""

from dataclasses import dataclass
from ipaddress import ip_address

import dns.exception
import dns.flags
import dns.message
import dns.name
import dns.rdataclass
import dns.rdatatype
from dns.rdata import GenericRdata, Rdata
from dns.rdtypes.ANY.PTR import PTR
from dns.rdtypes.IN.A import A
from dns.rdtypes.IN.AAAA import AAAA

from monitor.devices.decode.raw import Garbled, text

SERVICES = ("_rtsp._tcp.local.", "_http._tcp.local.", "_workstation._tcp.local.")
_ALL = "_services._dns-sd._udp.local."
_MOST_OCTETS = 9000
_MOST_NAMES = 64
_CACHE_FLUSH = 0x8000
_ADDRESSES = {dns.rdatatype.A: 4, dns.rdatatype.AAAA: 16}
"""Octets of an address."""


@dataclass(frozen=True, slots=True)
class Service:
    """What one device offers, and the names that it goes by."""

    names: tuple[str, ...]
    addresses: tuple[str, ...]


def query() -> bytes:
    """A question for the kinds of services that are of interest here."""
    asked = dns.message.make_query(_ALL, dns.rdatatype.PTR)
    asked.flags = dns.flags.Flag(0)
    kind = dns.rdatatype.PTR
    for service in SERVICES:
        asked.find_rrset(asked.question, dns.name.from_text(service), dns.rdataclass.IN, kind, create=True)
    return asked.to_wire()


def answer(data: bytes) -> Service:
    """Names and addresses in an answer; raises Garbled."""
    if len(data) > _MOST_OCTETS:
        raise Garbled(f"an answer of {len(data)} octets")
    try:
        came = dns.message.from_wire(data, ignore_trailing=True, one_rr_per_rrset=True)
    except (dns.exception.DNSException, ValueError, IndexError) as error:
        raise Garbled(f"no mDNS message: {type(error).__name__}") from None
    if not came.flags & dns.flags.QR:
        raise Garbled("a question, no answer")
    names, addresses = dict[str, None](), dict[str, None]()
    for rrset in (*came.answer, *came.additional):
        for data_ in rrset:
            if isinstance(data_, PTR) and len(names) < _MOST_NAMES:
                names[text(data_.target.to_text(omit_final_dot=True).encode())] = None
            elif rrset.rdtype in _ADDRESSES and len(addresses) < _MOST_NAMES:
                addresses |= dict.fromkeys(_address(rrset.rdclass, data_))
    return Service(tuple(names), tuple(addresses))


def _address(rdclass: int, data: Rdata) -> list[str]:
    """The address of a record. The top bit of its class is no class: "the most significant bit of the rrclass for a
    record in the Answer Section of a response message is the Multicast DNS cache-flush bit" (RFC 6762 section 10.2);
    the library knows no such class and leaves the octets as they are.
    """
    if isinstance(data, A | AAAA):
        return [data.address]
    octets = data.data if isinstance(data, GenericRdata) else b""
    fits = len(octets) == _ADDRESSES[data.rdtype] and rdclass & ~_CACHE_FLUSH == dns.rdataclass.IN
    return [str(ip_address(octets))] if fits else []
