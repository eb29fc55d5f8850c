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
_MOST_MACS = 8
"""Answers that are taken for one address: two are a conflict, more are somebody who makes them up."""
_MOST_UNASKED = 1000
"""Addresses that nobody asked for and that answer all the same, as a camera does that just got another one."""
_MOST_PAST_TIME = 1000
"""Frames that are taken when the time is up: what has come already, on a wire that may never be quiet."""


class BadRequest(ValueError):
    """The request is not one of this helper's; the message says why."""


_OWN = tuple(
    map(ipaddress.IPv4Network, ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "198.18.0.0/15"))
)
"""Private networks (RFC 1918), the link's own (RFC 3927), and the one for tests between network devices (RFC 2544)."""


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
        networks = tuple(_network(one) for one in given.get("networks", []))
        packets_per_s = int(given.get("packets_per_s", MOST_PACKETS_PER_S))
    except BadRequest:
        raise
    except RecursionError:
        raise BadRequest("cannot be read: it is nested too deeply") from None
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        raise BadRequest(f"cannot be read: {error}") from None
    if not re.fullmatch(r"[A-Za-z0-9._-]{1,15}", interface):
        raise BadRequest(f"{interface!r} is no name of an interface")
    if not 0 <= listen_s <= MOST_LISTEN_S:
        raise BadRequest(f"listen_s should be 0 to {MOST_LISTEN_S:g}")
    if not 1 <= packets_per_s <= MOST_PACKETS_PER_S:
        raise BadRequest(f"packets_per_s should be 1 to {MOST_PACKETS_PER_S}")
    if sum(network.num_addresses for network in networks) > MOST_HOSTS:
        raise BadRequest(f"more than {MOST_HOSTS} addresses")
    return Request(interface, networks, listen_s, packets_per_s)


def _network(given: object) -> ipaddress.IPv4Network:
    """A network that can be a farm's, as text; raises BadRequest and ValueError."""
    if not isinstance(given, str):
        raise BadRequest("networks should be text, as 10.20.0.0/24")
    network = ipaddress.IPv4Network(given)
    if not any(network.subnet_of(own) for own in _OWN):
        raise BadRequest("networks should be private ones (RFC 1918)")
    return network


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
    heard = _Heard(frozenset(frames))
    began, sent = time.monotonic(), 0
    try:
        for _ in range(TRIES if frames else 0):
            for host, frame in frames.items():
                if host in heard.macs:
                    continue
                link.outs.send(frame)
                sent += 1
                ahead_s = began + sent / request.packets_per_s - time.monotonic()
                yield from _take(link, max(0.0, ahead_s), heard)
            yield from _take(link, _ANSWER_S, heard)
        rest_s = began + request.listen_s - time.monotonic()
        yield from _take(link, max(0.0, rest_s), heard)
    finally:
        link.close()
    yield {"kind": "done", "sent": sent}


class _Heard:
    """What has been heard, within bounds: whoever lies on this wire must not fill the memory of who asks."""

    def __init__(self, asked: frozenset[str]) -> None:
        self._asked, self._unasked = asked, 0
        self.macs: dict[str, set[str]] = {}
        """Address → who has answered for it."""
        self._frames: set[bytes] = set()

    def of(self, frame: bytes) -> dict[str, Any] | None:
        """What a frame says that is new; None where it is nothing."""
        kind = int.from_bytes(frame[12:14], "big")
        if kind == 0x0806 and len(frame) >= 42 and int.from_bytes(frame[20:22], "big") == _ARP_ANSWER:
            return self._answer(str(ipaddress.IPv4Address(frame[28:32])), frame[22:28].hex(":"))
        if kind == _LLDP and frame not in self._frames and len(self._frames) < _MOST_LLDP:
            self._frames.add(frame)
            return {"kind": "lldp", "frame": frame.hex()}
        return None

    def _answer(self, address: str, mac: str) -> dict[str, Any] | None:
        macs = self.macs.get(address, set())
        if mac in macs or len(macs) >= _MOST_MACS:
            return None
        if not macs and address not in self._asked:
            if self._unasked >= _MOST_UNASKED:
                return None
            self._unasked += 1
        self.macs.setdefault(address, set()).add(mac)
        return {"kind": "arp", "address": address, "mac": mac}


def _take(link: Any, for_s: float, heard: _Heard) -> Iterator[dict[str, Any]]:
    """Take what comes for a while; at least what has come already."""
    import select

    until_s, past_time = time.monotonic() + for_s, 0
    while True:
        left_s = until_s - time.monotonic()
        past_time += left_s <= 0
        if past_time > _MOST_PAST_TIME or not select.select([link.ins], [], [], max(0.0, left_s))[0]:
            return
        one = heard.of(link.ins.recv(_MOST_FRAME))
        if one is not None:
            yield one


def _say(one: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(one) + "\n")
    sys.stdout.flush()


def main() -> int:
    """One request from standard input; status 2 where it is none of ours, 1 where it cannot be done."""
    try:
        # Octets that are no UTF-8 are no JSON either (RFC 8259, section 8.1): they are read so that they are refused.
        request = read_request(sys.stdin.buffer.readline(10_000).decode(errors="replace"))
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
