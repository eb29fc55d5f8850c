"""Cameras that answer a WS-Discovery Probe (OASIS 2005 draft, as ONVIF devices speak it), on loopback.

Messages are written here anew: nothing of the client's own reader is used, which would then agree with its own errors.
"""

import asyncio
import re
import socket
import struct
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

GROUP, PORT = "239.255.255.250", 3702
_MATCH = (
    '<?xml version="1.0" encoding="UTF-8"?><s:Envelope xmlns:s="http://www.w3.org/2003/05/soap-envelope" '
    'xmlns:a="http://schemas.xmlsoap.org/ws/2004/08/addressing" '
    'xmlns:d="http://schemas.xmlsoap.org/ws/2005/04/discovery" '
    'xmlns:dn="http://www.onvif.org/ver10/network/wsdl"><s:Header><a:MessageID>urn:uuid:{id}</a:MessageID>'
    "<a:RelatesTo>{relates}</a:RelatesTo><a:Action>http://schemas.xmlsoap.org/ws/2005/04/discovery/ProbeMatches</a:Action>"
    "</s:Header><s:Body><d:ProbeMatches><d:ProbeMatch><a:EndpointReference><a:Address>urn:uuid:{reference}</a:Address>"
    "</a:EndpointReference><d:Types>dn:NetworkVideoTransmitter</d:Types><d:Scopes>onvif://www.onvif.org/name/{name} "
    "onvif://www.onvif.org/type/video_encoder</d:Scopes><d:XAddrs>http://{address}:{port}/onvif/device_service</d:XAddrs>"
    "<d:MetadataVersion>1</d:MetadataVersion></d:ProbeMatch></d:ProbeMatches></s:Body></s:Envelope>"
)


@dataclass(frozen=True)
class Found:
    """One camera that may be found while it answers."""

    name: str
    address: str
    port: int
    answers: Callable[[], bool]

    def match(self, relates: str) -> bytes:
        """Its ProbeMatches to one Probe."""
        reference = uuid.uuid5(uuid.NAMESPACE_DNS, f"{self.name}.{self.address}")
        return _MATCH.format(
            id=uuid.uuid4(), relates=relates, reference=reference, name=self.name, address=self.address, port=self.port
        ).encode()


class Discovery(asyncio.DatagramProtocol):
    """Answers each Probe for every camera that answers, from a socket in the multicast group."""

    def __init__(self, cameras: list[Found]) -> None:
        self._cameras = cameras
        self._transport: Any = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """The socket is open."""
        self._transport = transport

    def datagram_received(self, data: bytes, addr: tuple[str | Any, int]) -> None:
        """Answer what is a Probe for any device, or for video transmitters."""
        text = data.decode("utf-8", "replace")
        if "discovery/Probe<" not in text or ("<d:Types>" in text and "NetworkVideoTransmitter" not in text):
            return
        relates = re.search(r"MessageID>([^<]{1,100})<", text)
        for camera in self._cameras:
            if relates and camera.answers():
                self._transport.sendto(camera.match(relates[1]), addr)


async def serve(cameras: list[Found], address: str) -> asyncio.DatagramTransport:
    """Listen in the group on the interface of ``address``; raises OSError."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
        listening.bind((GROUP, PORT))
        joined = struct.pack("4s4s", socket.inet_aton(GROUP), socket.inet_aton(address))
        listening.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, joined)
    except OSError:
        listening.close()
        raise
    listening.setblocking(False)
    loop = asyncio.get_running_loop()
    transport, _ = await loop.create_datagram_endpoint(lambda: Discovery(cameras), sock=listening)
    return transport
