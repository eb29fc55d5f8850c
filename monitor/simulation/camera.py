"""A simulated camera: RTSP with RTP in the same connection (RFC 2326 section 10.12, RFC 3550), and ONVIF's clock.

Nothing of the client's own protocol code is used here: a wrong one would agree with its own errors.
"""

import asyncio
import random
import struct
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

_FRAMES_PER_S = 12.5
_SDP = (
    "v=0\r\no=- 1 1 IN IP4 0.0.0.0\r\ns=camera\r\nt=0 0\r\nm=video 0 RTP/AVP 96\r\n"
    "a=rtpmap:96 H264/90000\r\na=control:track1\r\n"
)
_CLOCK = (
    '<?xml version="1.0"?><s:Envelope xmlns:s="http://www.w3.org/2003/05/soap-envelope" '
    'xmlns:d="http://www.onvif.org/ver10/device/wsdl" xmlns:t="http://www.onvif.org/ver10/schema"><s:Body>'
    "<d:GetSystemDateAndTimeResponse><d:SystemDateAndTime><t:DateTimeType>NTP</t:DateTimeType><t:UTCDateTime><t:Time>"
    "<t:Hour>{0.hour}</t:Hour><t:Minute>{0.minute}</t:Minute><t:Second>{0.second}</t:Second></t:Time><t:Date>"
    "<t:Year>{0.year}</t:Year><t:Month>{0.month}</t:Month><t:Day>{0.day}</t:Day></t:Date></t:UTCDateTime>"
    "</d:SystemDateAndTime></d:GetSystemDateAndTimeResponse></s:Body></s:Envelope>"
)
_MOST_PAYLOAD = 1200


@dataclass
class Camera:
    """How a camera is now: asked anew for every frame and every question."""

    kilobits_per_s: float
    sends: Callable[[], bool]
    now_s: Callable[[], float]
    clock_wrong_s: Callable[[], float]

    async def rtsp(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One RTSP connection, until it ends."""
        playing: asyncio.Task[None] | None = None
        try:
            while True:
                head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").split("\r\n")
                words = head[0].split()
                if len(words) != 3:
                    return
                fields = dict(line.lower().split(": ", 1) for line in head[1:] if ": " in line)
                answer, more = self._answer(words[0], words[1], fields)
                writer.write(f"RTSP/1.0 {answer}\r\nCSeq: {fields.get('cseq', '0')}\r\n{more}".encode("latin-1"))
                await writer.drain()
                if words[0] == "PLAY" and playing is None:
                    playing = asyncio.create_task(self._play(writer))
                if words[0] == "TEARDOWN":
                    return
        except (asyncio.IncompleteReadError, asyncio.LimitOverrunError, ConnectionError):
            return
        finally:
            if playing is not None:
                playing.cancel()
            writer.close()

    def _answer(self, method: str, uri: str, fields: dict[str, str]) -> tuple[str, str]:
        if method == "OPTIONS":
            return "200 OK", "Public: OPTIONS, DESCRIBE, SETUP, PLAY, TEARDOWN\r\n\r\n"
        if method == "DESCRIBE":
            kind = f"Content-Base: {uri}/\r\nContent-Type: application/sdp\r\nContent-Length: {len(_SDP)}"
            return "200 OK", f"{kind}\r\n\r\n{_SDP}"
        if method == "SETUP":
            if "rtp/avp/tcp" not in fields.get("transport", ""):
                return "461 Unsupported Transport", "\r\n"
            return "200 OK", "Transport: RTP/AVP/TCP;unicast;interleaved=0-1\r\nSession: 1\r\n\r\n"
        if method in ("PLAY", "TEARDOWN"):
            return "200 OK", "Session: 1\r\n\r\n"
        return "501 Not Implemented", "\r\n"

    async def _play(self, writer: asyncio.StreamWriter) -> None:
        number, frame = random.randrange(1000), 0  # a sequence that begins anywhere, as RFC 3550 asks for
        while not writer.is_closing():
            if self.sends():
                octets = int(self.kilobits_per_s * 125 / _FRAMES_PER_S)
                while octets > 0:
                    size = min(octets, _MOST_PAYLOAD)
                    octets -= size
                    last = 0x80 if octets <= 0 else 0
                    stamp = int(frame * 90_000 / _FRAMES_PER_S) % 2**32
                    packet = struct.pack(">BBHII", 0x80, 96 | last, number % 2**16, stamp, 7) + bytes(size)
                    writer.write(struct.pack(">cBH", b"$", 0, len(packet)) + packet)
                    number += 1
                frame += 1
            await writer.drain()
            await asyncio.sleep(1 / _FRAMES_PER_S)

    async def onvif(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One HTTP question: what the clock says."""
        try:
            head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").lower()
            lengths = [line.split(":")[1] for line in head.split("\r\n") if line.startswith("content-length:")]
            length = int(lengths[0]) if lengths else 0
            asked = await reader.readexactly(min(length, 65_536))
            body, status = b"", "400 Bad Request"
            if b"GetSystemDateAndTime" in asked:
                says = datetime.fromtimestamp(self.now_s() + self.clock_wrong_s(), UTC)
                body, status = _CLOCK.format(says).encode(), "200 OK"
            kind = "Content-Type: application/soap+xml; charset=utf-8\r\nConnection: close"
            writer.write(f"HTTP/1.1 {status}\r\n{kind}\r\nContent-Length: {len(body)}\r\n\r\n".encode() + body)
            await writer.drain()
        except (asyncio.IncompleteReadError, asyncio.LimitOverrunError, ConnectionError, ValueError):
            return
        finally:
            writer.close()
