"""The survey's helper: an ARP sweep and LLDP listening, in a short-lived process of its own with only CAP_NET_RAW.

It reads one JSON request from its standard input, does what the request's fixed grammar allows and nothing else,
and writes one JSON object a line. The only file that imports scapy (GPL-2.0), which runs here and nowhere else:
``python -m monitor.devices.ask.sweep``.
"""

import ipaddress
import json
import re
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

MOST_HOSTS = 4096
MOST_PACKETS_PER_S = 2000
MOST_LISTEN_S = 120.0
TRIES = 4
"""One and three more: at 10 % loss each way 0.13 % of the hosts stay unseen."""
_ANSWER_S = 0.4
_ARP_ANSWER = 2
_LLDP = 0x88CC
_MOST_FRAME = 1600
_MOST_LLDP = 200
_MOST_PAST_TIME = 1000
"""Frames that are taken when the time is up: what has come already, on a wire that may never be quiet."""


class BadRequest(ValueError):
    """The request is not one of this helper's; the message says why."""


@dataclass(frozen=True, slots=True)
class Request:
    """What may be asked: one interface, networks on it, and how long to listen for LLDP."""

    interface: str
    networks: tuple[ipaddress.IPv4Network, ...]
    listen_s: float
    packets_per_s: int = MOST_PACKETS_PER_S

    @property
    def hosts(self) -> list[str]:
        """Every address that is asked for."""
        return [str(host) for network in self.networks for host in network.hosts()]


def read_request(text: str) -> Request:
    """The request, checked field by field; raises BadRequest."""
    try:
        given = json.loads(text)
        if not isinstance(given, dict) or set(given) - {"interface", "networks", "listen_s", "packets_per_s"}:
            raise BadRequest("fields are interface, networks, listen_s, packets_per_s")
        interface, listen_s = str(given["interface"]), float(given.get("listen_s", 0))
        networks = tuple(ipaddress.IPv4Network(one) for one in given.get("networks", []))
        packets_per_s = int(given.get("packets_per_s", MOST_PACKETS_PER_S))
    except BadRequest:
        raise
    except (KeyError, TypeError, ValueError) as error:
        raise BadRequest(f"cannot be read: {error}") from None
    if not re.fullmatch(r"[A-Za-z0-9._-]{1,15}", interface):
        raise BadRequest(f"{interface!r} is no name of an interface")
    if not 0 <= listen_s <= MOST_LISTEN_S:
        raise BadRequest(f"listen_s should be 0 to {MOST_LISTEN_S:g}")
    if not 1 <= packets_per_s <= MOST_PACKETS_PER_S:
        raise BadRequest(f"packets_per_s should be 1 to {MOST_PACKETS_PER_S}")
    if sum(network.num_addresses for network in networks) > MOST_HOSTS:
        raise BadRequest(f"more than {MOST_HOSTS} addresses")
    if any(not (network.is_private or network in _TEST) for network in networks):
        raise BadRequest("networks should be private ones (RFC 1918)")
    return Request(interface, networks, listen_s, packets_per_s)


class _Benchmark:
    """198.18.0.0/15 is for tests between network devices (RFC 2544)."""

    _network = ipaddress.IPv4Network("198.18.0.0/15")

    def __contains__(self, network: object) -> bool:
        return isinstance(network, ipaddress.IPv4Network) and network.subnet_of(self._network)


_TEST = _Benchmark()


def sweep(request: Request) -> Iterator[dict[str, Any]]:
    """Do it: {"kind": "arp", address, mac}, {"kind": "lldp", frame}, and {"kind": "done", sent} at the end."""
    from scapy.arch import get_if_addr, get_if_hwaddr
    from scapy.config import conf
    from scapy.layers.l2 import ARP, Ether

    conf.verb = 0
    link: Any = conf.L2socket(iface=request.interface, promisc=False)
    own_mac, own_address = get_if_hwaddr(request.interface), get_if_addr(request.interface)
    frames = {
        host: bytes(Ether(src=own_mac, dst="ff:ff:ff:ff:ff:ff") / ARP(op=1, hwsrc=own_mac, psrc=own_address, pdst=host))
        for host in request.hosts
        if host != own_address
    }
    found: set[tuple[str, str]] = set()
    answered: set[str] = set()
    heard: set[bytes] = set()
    began, sent = time.monotonic(), 0
    try:
        for _ in range(TRIES if frames else 0):
            for host, frame in frames.items():
                if host in answered:
                    continue
                link.outs.send(frame)
                sent += 1
                ahead_s = began + sent / request.packets_per_s - time.monotonic()
                yield from _take(link, max(0.0, ahead_s), found, answered, heard)
            yield from _take(link, _ANSWER_S, found, answered, heard)
        rest_s = began + request.listen_s - time.monotonic()
        yield from _take(link, max(0.0, rest_s), found, answered, heard)
    finally:
        link.close()
    yield {"kind": "done", "sent": sent}


def _take(
    link: Any, for_s: float, found: set[tuple[str, str]], answered: set[str], heard: set[bytes]
) -> Iterator[dict[str, Any]]:
    """Take what comes for a while; at least what has come already."""
    import select

    until_s, past_time = time.monotonic() + for_s, 0
    while True:
        left_s = until_s - time.monotonic()
        past_time += left_s <= 0
        if past_time > _MOST_PAST_TIME or not select.select([link.ins], [], [], max(0.0, left_s))[0]:
            return
        frame = link.ins.recv(_MOST_FRAME)
        kind = int.from_bytes(frame[12:14], "big")
        if kind == 0x0806 and len(frame) >= 42 and int.from_bytes(frame[20:22], "big") == _ARP_ANSWER:
            mac, address = frame[22:28].hex(":"), str(ipaddress.IPv4Address(frame[28:32]))
            if (address, mac) not in found:
                found.add((address, mac))
                answered.add(address)
                yield {"kind": "arp", "address": address, "mac": mac}
        elif kind == _LLDP and frame not in heard and len(heard) < _MOST_LLDP:
            heard.add(frame)
            yield {"kind": "lldp", "frame": frame.hex()}


def _say(one: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(one) + "\n")
    sys.stdout.flush()


def main() -> int:
    """One request from standard input; status 2 where it is none of ours, 1 where it cannot be done."""
    try:
        request = read_request(sys.stdin.readline(10_000))
    except BadRequest as error:
        _say({"kind": "error", "why": str(error)})
        return 2
    try:
        for one in sweep(request):
            _say(one)
    except (OSError, ValueError) as error:
        _say({"kind": "error", "why": str(error)[:200]})
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
