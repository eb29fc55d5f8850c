"""LLDP frames as they are on the wire (IEEE 802.1AB-2016 clause 8). Everything in them is hostile."""

import ipaddress
from dataclasses import dataclass

from monitor.devices.decode.kinds import mac
from monitor.devices.decode.raw import Garbled, text

ETHERTYPE = 0x88CC
_END, _CHASSIS, _PORT, _TTL, _PORT_WORDS, _NAME, _WORDS, _ABLE, _ADDRESS, _OWN = 0, 1, 2, 3, 4, 5, 6, 7, 8, 127
_MOST_TLVS = 100
_VLAN = bytes.fromhex("0080c201")
"""Organisation 802.1, subtype 1: Port VLAN ID (IEEE 802.1Q annex D)."""


@dataclass(frozen=True, slots=True)
class Heard:
    """One LLDP frame: who sent it, from which of its ports, what it calls itself."""

    source: str
    chassis: str
    port: str
    name: str = ""
    words: str = ""
    addresses: tuple[str, ...] = ()
    vlan: int | None = None


def lldp(frame: bytes) -> Heard:
    """An LLDP frame with its Ethernet header; raises Garbled."""
    if len(frame) < 16 or int.from_bytes(frame[12:14], "big") != ETHERTYPE:
        raise Garbled("no LLDP frame")
    said: dict[int, bytes] = {}
    addresses: list[str] = []
    vlan: int | None = None
    at = 14
    for _ in range(_MOST_TLVS):
        if at + 2 > len(frame):
            break
        head = int.from_bytes(frame[at : at + 2], "big")
        kind, size = head >> 9, head & 0x1FF
        value = frame[at + 2 : at + 2 + size]
        if len(value) < size:
            raise Garbled("an LLDP frame that ends in the middle")
        at += 2 + size
        if kind == _END:
            break
        if kind == _ADDRESS:
            addresses += _address(value)
        elif kind == _OWN and value.startswith(_VLAN) and len(value) >= 6:
            vlan = int.from_bytes(value[4:6], "big")
        else:
            said.setdefault(kind, value)
    if _CHASSIS not in said or _PORT not in said:
        raise Garbled("an LLDP frame without chassis or port")
    return Heard(
        mac(frame[6:12]),
        _identity(said[_CHASSIS], 4, 5),
        _identity(said[_PORT], 3, 4),
        text(said.get(_NAME, b"")),
        text(said.get(_WORDS, b"")) or text(said.get(_PORT_WORDS, b"")),
        tuple(addresses),
        vlan,
    )


def _identity(value: bytes, mac_kind: int, address_kind: int) -> str:
    if not value:
        raise Garbled("an LLDP identity of no octets")
    kind, rest = value[0], value[1:]
    if kind == mac_kind:
        return mac(rest)
    if kind == address_kind and len(rest) in (5, 17):
        return str(ipaddress.ip_address(rest[1:]))
    return text(rest)


def _address(value: bytes) -> list[str]:
    """Management address: length, family (1 IPv4, 2 IPv6), octets."""
    size = value[0] if value else 0
    octets = value[2 : 1 + size]
    fits = len(value) > size and (value[1], len(octets)) in ((1, 4), (2, 16)) if len(value) > 1 else False
    return [str(ipaddress.ip_address(octets))] if fits else []
