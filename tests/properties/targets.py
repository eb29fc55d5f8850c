"""Everything that eats bytes or text from outside: each with what it may raise, and something valid to begin from.

Used by the property tests, and by ``tests/bench/fuzz`` for as long as one likes.
"""

import contextlib
import json
import math
import struct
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import dns.message
import dns.rrset

from monitor.alarms import observables
from monitor.centre import parcel
from monitor.daemon.files import load_sheets, shipped
from monitor.devices.ask import snmp_ber, snmp_v3, sweep
from monitor.devices.decode import (
    bridge,
    catalogue,
    lldp,
    mdns,
    onvif,
    registers,
    rtp,
    rtsp,
    traps,
    ws_discovery,
)
from monitor.devices.decode.raw import Absent, Garbled, Missing, Raw, Table
from monitor.plan.datasheets import read_sheets
from monitor.plan.meaning import read_plan
from monitor.plan.text import NotRight
from monitor.show import links

_HEX = bytes.fromhex


@dataclass(frozen=True, slots=True)
class Target:
    """One parser: what it is called with, the errors that are an answer, and valid beginnings."""

    eat: Callable[[bytes], Any]
    answers: tuple[type[BaseException], ...]
    seeds: tuple[bytes, ...]


def _snmp(data: bytes) -> None:
    """A whole v2c message, as it comes from a socket."""
    at, stop = snmp_ber.inside(data, 0, len(data), 0x30)
    _, at = snmp_ber.integer(data, at, stop)
    _, at = snmp_ber.octets(data, at, stop)
    *_, at, stop = snmp_ber.response(data, at, stop)
    for _, _ in snmp_ber.varbinds(data, at, stop):
        pass


def _snmp_v3(data: bytes) -> None:
    at, stop = snmp_ber.inside(data, 0, len(data), 0x30)
    _, at = snmp_ber.integer(data, at, stop)
    came = snmp_v3.read(data, at, stop)
    with contextlib.suppress(snmp_ber.Undecodable):  # it need not be a report
        snmp_v3.report(came)


def _rtsp(data: bytes) -> None:
    conversation = rtsp.Conversation()
    conversation.request("DESCRIBE", "rtsp://camera.example/main")
    for one in conversation.feed(data):
        if isinstance(one, rtsp.Answer):
            rtsp.video_track(one, "rtsp://camera.example/main")


def _rtp(data: bytes) -> None:
    flow = rtp.Flow()
    for i in range(0, len(data), 16):
        flow.take(data[i : i + 16])
    assert flow.lost_share is None or 0 <= flow.lost_share <= 1


def _evidence(data: bytes) -> None:
    said = json.loads(data)
    if isinstance(said, dict):
        observables.read(said)


def _text(data: bytes) -> str:
    return data.decode("utf-8", "replace")


_SHEETS = load_sheets()
_PLAN = (shipped() / "tarrow-downs.yaml").read_bytes()
_VARBINDS = snmp_ber.element(0x30, _HEX("300f" + "06082b06010201010300" + "43030f4240"))
_PDU = snmp_ber.element(0xA2, _HEX("0202017b020100020100"), _VARBINDS)
_GET = snmp_ber.element(0x30, b"\x02\x01\x01\x04\x06public", _PDU)
_ASKED = dns.message.make_query("_services._dns-sd._udp.local", "PTR")
_ANSWER = dns.message.make_response(_ASKED)
_ANSWER.answer.append(dns.rrset.from_text("_rtsp._tcp.local.", 120, "IN", "PTR", "gate-camera._rtsp._tcp.local."))
_MDNS = _ANSWER.to_wire()
_RTP = b"\x80\x60\x00\x01\x00\x00\x00\x10\xde\xad\xbe\xef" + bytes(4)
_SDP = b"v=0\r\nm=video 0 RTP/AVP 96\r\na=rtpmap:96 H264/90000\r\na=control:track1\r\n"
_DESCRIBED = b"RTSP/1.0 200 OK\r\nCSeq: 1\r\nContent-Type: application/sdp\r\nContent-Length: %d\r\n\r\n%s" % (
    len(_SDP),
    _SDP,
)
_REFUSED = b'RTSP/1.0 401 Unauthorized\r\nCSeq: 1\r\nWWW-Authenticate: Digest realm="x", nonce="y", qop="auth"\r\n\r\n'
_MATCH = (
    b'<e:Envelope xmlns:e="http://www.w3.org/2003/05/soap-envelope"><e:Body><ProbeMatches><ProbeMatch>'
    b"<EndpointReference><Address>urn:uuid:1</Address></EndpointReference><XAddrs>http://192.0.2.7/x</XAddrs>"
    b"</ProbeMatch></ProbeMatches></e:Body></e:Envelope>"
)
_CLOCK = (
    b"<E><Body><UTCDateTime><Time><Hour>1</Hour><Minute>2</Minute><Second>3</Second></Time>"
    b"<Date><Year>2026</Year><Month>5</Month><Day>6</Day></Date></UTCDateTime></Body></E>"
)
_LINK = links.sign(b"k" * 32, links.Answer("jo", "creek", "pole-silent", "", 1.0, 2e9)).encode()
_SWEEP = json.dumps({"interface": "eth0", "networks": ["10.20.0.0/28"], "listen_s": 1}).encode()
_SEEN = b'{"U": "down", "I": 0.1, "rxH": -7}'


_COLUMNS = [traps.TRAP_OID, *sorted(catalogue._BY_OID)]


def _table(data: bytes) -> Table:
    """Objects as an agent may give them, of any column with any index and value: LLDP, bridges, sensors, PoE, traps."""
    table: Table = {}
    while len(data) > 3:
        column, n, kind, size = data[0], data[1] % 12, data[2], data[3]
        index = tuple(part if part < 250 else part << 24 for part in data[4 : 4 + n])
        octets, data = data[4 + n : 4 + n + size], data[4 + n + size :]
        values: list[Raw] = [
            octets,
            int.from_bytes(octets[:8], "big", signed=True),
            tuple(octets),
            Missing.NO_SUCH_INSTANCE,
        ]
        table[(*_COLUMNS[column % len(_COLUMNS)], *index)] = values[kind % len(values)]
    return table


def _objects(data: bytes) -> None:
    table = _table(data)
    for line in catalogue.lines(table):
        assert line.state in ("known", "raw", "garbled")
    lldp.neighbours(table)
    bridge.stations(table)
    traps.hint(table)
    catalogue.draft(table, "a device", "today")


def _registers(data: bytes) -> None:
    """What a Modbus device says of its models, and every point of them."""
    words = struct.unpack(f">{len(data) // 2}H", data[: len(data) // 2 * 2])
    model = registers.next_model(40_000, words)
    for of in [model] if model else []:
        for number in (of.number, 802):
            for _, read in registers.points(replace(of, number=number), words[2:]):
                with contextlib.suppress(Absent, Garbled):
                    assert math.isfinite(read())


_MODEL = struct.pack(">66H", 802, 62, *range(64))
_NEIGHBOUR = bytes([_COLUMNS.index((*lldp.REMOTE, 5)) % 256, 3, 0, 6, 1, 2, 3]) + b"office"


def _parcel(data: bytes) -> None:
    """What comes behind a signature that holds: a site's key in a stranger's hand."""
    parcel.opened("farpole.a.rounds", bytes(64) + data, lambda *_: True)


_PARCEL = parcel.sealed("", parcel.Parcel({"number": 1, "records": [{"id": 1}]}, ((5, b"abc"),)), lambda _: b"")


TARGETS: dict[str, Target] = {
    "objects": Target(_objects, (), (_NEIGHBOUR, _NEIGHBOUR * 3)),
    "registers": Target(_registers, (Garbled,), (_MODEL,)),
    "parcel": Target(_parcel, (parcel.NotRight,), (_PARCEL,)),
    "snmp": Target(_snmp, (snmp_ber.Undecodable,), (_GET,)),
    "snmp-v3": Target(_snmp_v3, (snmp_ber.Undecodable,), (snmp_v3.discovery(1, b"\x02\x01\x01"),)),
    "ws-discovery": Target(ws_discovery.matches, (Garbled,), (_MATCH,)),
    "mdns": Target(mdns.answer, (Garbled,), (mdns.query(), _MDNS)),
    "onvif": Target(onvif.clock_s, (Garbled, Absent), (_CLOCK,)),
    "rtsp": Target(_rtsp, (Garbled, Absent), (_DESCRIBED, _REFUSED, b"$\0\0\x10" + _RTP)),
    "rtp": Target(_rtp, (), (_RTP * 3,)),
    "link": Target(lambda data: links.read(b"k" * 32, _text(data), 1.0), (links.NotValid,), (_LINK,)),
    "sweep": Target(lambda data: sweep.read_request(_text(data)), (sweep.BadRequest,), (_SWEEP,)),
    "plan": Target(lambda data: read_plan(_text(data), _SHEETS), (NotRight,), (_PLAN,)),
    "datasheet": Target(
        lambda data: read_sheets({"x.yaml": _text(data)}),
        (NotRight,),
        tuple(file.read_bytes() for file in sorted(Path(shipped() / "datasheets").glob("*.yaml"))[:3]),
    ),
    "evidence": Target(_evidence, (observables.Misread, ValueError), (_SEEN,)),
}
