"""Watching a camera's stream for a few seconds: over its RTSP connection, or over UDP. Keeps no picture."""

import asyncio
import os
import socket
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from monitor.devices.ask.own import CouldNotAsk, is_ours
from monitor.devices.decode import rtsp
from monitor.devices.decode.raw import Garbled
from monitor.devices.decode.rtp import Flow, Seen
from monitor.devices.decode.rtsp_login import Login, Refusal, best_challenge, refusal

_TIMEOUT_S = 5.0
"""For one question."""
_WHOLE_S = 15.0
"""For all questions of a look together; the seconds for which the stream is watched come on top."""
_MOST_TALK_OCTETS = 1_000_000
"""Before the stream is watched; answers are some kilobytes, and a camera may begin to send a little too soon."""
_OK, _LOGIN, _FORBIDDEN, _NOT_FOUND, _TRANSPORT = 200, 401, 403, 404, 461
_RECEIVE_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Stream:
    """A stream to look at. The password never shows."""

    address: str
    port: int
    path: str
    user: str = ""
    password: str = field(default="", repr=False)
    basic: bool = False
    """May the password travel in clear, where the camera knows nothing better?"""

    @property
    def uri(self) -> str:
        """Its address as RTSP writes it; the log-in never stands in it."""
        host = f"[{self.address}]" if ":" in self.address else self.address
        return f"rtsp://{host}:{self.port}{self.path}"


class _Broken(Exception):
    """A layer that does not work: which, and why."""

    def __init__(self, layer: str, why: str, refusal: Refusal | None = None) -> None:
        super().__init__(why)
        self.layer, self.why, self.refusal = layer, why, refusal


class _Ears(asyncio.DatagramProtocol):
    def __init__(self, flow: Flow, source: str) -> None:
        self._flow, self._source = flow, source

    def datagram_received(self, data: bytes, addr: Any) -> None:
        if addr[0] == self._source:
            self._flow.take(data)


class _Link:
    """One connection to a camera."""

    def __init__(
        self, stream: Stream, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, whole: asyncio.Timeout
    ) -> None:
        nonce = os.urandom(8).hex()
        known = Login(stream.user, stream.password, client_nonce=nonce, basic=stream.basic)
        login = known if stream.user else None
        self.talk, self.flow = rtsp.Conversation(login), Flow()
        self.octets, self.layer = 0, "rtsp"
        self.whole = whole
        self._reader, self._writer = reader, writer
        self._answers: list[rtsp.Answer] = []

    async def ask(self, layer: str, method: str, uri: str, headers: Mapping[str, str] | None = None) -> rtsp.Answer:
        """Ask, and ask again with our name where the camera wants to know it."""
        self.layer = layer
        answer = await self._once(layer, method, uri, headers)
        if answer.status == _LOGIN and self.talk.login is not None and answer.challenges:
            challenge = best_challenge(answer.challenges, self.talk.login.basic)
            if challenge is None:
                refused = refusal(answer.challenges)
                raise _Broken("login", refused.value, refused)
            self.talk.login.challenge = challenge
            answer = await self._once(layer, method, uri, headers)
        if answer.status in (_LOGIN, _FORBIDDEN):
            why = "wrong name or password" if self.talk.login else "it wants a name and a password"
            raise _Broken("login", f"{why} ({answer.status})", Refusal.WRONG)
        return answer

    async def _once(self, layer: str, method: str, uri: str, headers: Mapping[str, str] | None = None) -> rtsp.Answer:
        self._writer.write(self.talk.request(method, uri, headers))
        loop = asyncio.get_running_loop()
        until_s, number = loop.time() + _TIMEOUT_S, self.talk.number
        while True:
            while self._answers:
                answer = self._answers.pop(0)
                if answer.number in (None, number):
                    return answer
            if self.octets > _MOST_TALK_OCTETS:
                raise _Broken(layer, f"no answer to {method} in {self.octets:,} octets")
            left_s = until_s - loop.time()
            if left_s <= 0 or not await self.listen(left_s):
                raise _Broken(layer, f"no answer to {method} within {_TIMEOUT_S:g} s")

    async def listen(self, for_s: float) -> bool:
        """Take what comes next; False where the time is up. Raises _Broken where the camera hangs up."""
        try:
            async with asyncio.timeout(for_s):
                data = await self._reader.read(65_536)
        except TimeoutError:
            return False
        if not data:
            raise _Broken("media" if self.flow.packets else "rtsp", "the camera closed the connection")
        self.octets += len(data)
        for one in self.talk.feed(data):
            if isinstance(one, rtsp.Answer):
                self._answers.append(one)
            elif one.channel == 0:
                self.flow.take(one.data)
        return True


async def look(
    stream: Stream, for_s: float = 3.0, over: Literal["tcp", "udp"] = "tcp", most_octets: int = 8_000_000
) -> Seen:
    """How far a stream works, and for ``for_s`` seconds (0: as far as its description) what comes.

    Raises CouldNotAsk, and nothing else.
    """
    try:
        async with asyncio.timeout(_TIMEOUT_S):
            reader, writer = await asyncio.open_connection(stream.address, stream.port)
    except (OSError, TimeoutError) as error:
        if is_ours(error):
            raise CouldNotAsk(error.errno, error.strerror) from None
        return Seen("tcp", "connection refused" if isinstance(error, ConnectionRefusedError) else "no connection")
    whole = asyncio.timeout(_WHOLE_S)
    link = _Link(stream, reader, writer, whole)
    try:
        async with whole:
            return await _through(link, stream, for_s, over, most_octets)
    except _Broken as broken:
        return Seen(broken.layer, broken.why, octets=link.octets, refusal=broken.refusal)
    except TimeoutError:
        return Seen(link.layer, f"all questions together took longer than {_WHOLE_S:g} s", octets=link.octets)
    except Garbled as garbled:
        return Seen("rtsp", str(garbled), octets=link.octets)
    except OSError as error:
        return Seen("rtsp", f"the connection broke: {error.strerror or type(error).__name__}", octets=link.octets)
    finally:
        writer.transport.abort()  # a device that takes nothing more must not keep the socket


async def _through(link: _Link, stream: Stream, for_s: float, over: str, most_octets: int) -> Seen:
    options = await link.ask("rtsp", "OPTIONS", stream.uri)
    if options.status >= 500:
        raise _Broken("rtsp", f"OPTIONS was answered {options.status}")
    described = await link.ask("description", "DESCRIBE", stream.uri, {"Accept": "application/sdp"})
    if described.status != _OK:
        why = f"there is no stream {stream.path}" if described.status == _NOT_FOUND else "no description"
        raise _Broken("description", f"{why} ({described.status})")
    track = rtsp.video_track(described, stream.uri)
    if not for_s:
        return Seen("description", octets=link.octets)
    ears = None
    transport = "RTP/AVP/TCP;unicast;interleaved=0-1"
    if over == "udp":
        ears = await _ears(link.flow, stream.address)
        transport = f"RTP/AVP;unicast;client_port={ears[1]}-{ears[1] + 1}"
    try:
        setup = await link.ask("setup", "SETUP", track.control, {"Transport": transport})
        if setup.status != _OK:
            why = f"it does not send over {over.upper()}" if setup.status == _TRANSPORT else "it could not be set up"
            raise _Broken("setup", f"{why} ({setup.status})")
        link.talk.session = setup.headers.get("session", "").partition(";")[0]
        return await _watch(link, stream, described, for_s, most_octets)
    finally:
        if ears is not None:
            ears[0].close()


async def _ears(flow: Flow, source: str) -> tuple[asyncio.DatagramTransport, int]:
    """An even UDP port for the stream (RFC 3550 section 11); its neighbour for RTCP is left to itself."""
    loop = asyncio.get_running_loop()
    family = socket.AF_INET6 if ":" in source else socket.AF_INET
    for _ in range(50):
        sock = socket.socket(family, socket.SOCK_DGRAM)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BYTES)
        sock.bind(("", 0))
        port = sock.getsockname()[1]
        if port % 2 == 0:
            transport, _ = await loop.create_datagram_endpoint(lambda: _Ears(flow, source), sock=sock)
            return transport, port
        sock.close()
    raise _Broken("setup", "no even UDP port is free here")


async def _watch(link: _Link, stream: Stream, described: rtsp.Answer, for_s: float, most_octets: int) -> Seen:
    uri = described.headers.get("content-base") or stream.uri
    play = await link.ask("play", "PLAY", uri, {"Range": "npt=0.000-"})
    if play.status != _OK:
        raise _Broken("play", f"PLAY was answered {play.status}")
    loop, flow = asyncio.get_running_loop(), link.flow
    began_s = loop.time()
    link.whole.reschedule(began_s + for_s + _TIMEOUT_S)
    while (left_s := began_s + for_s - loop.time()) > 0 and flow.octets < most_octets:
        await link.listen(left_s)
    took_s = loop.time() - began_s
    link._writer.write(link.talk.request("TEARDOWN", uri))
    octets = link.octets + flow.octets
    if flow.packets < 2:
        return Seen("media", "it plays and sends nothing", 0.0, 0.0, None, octets)
    lost = flow.lost_share
    return Seen(
        "media",
        "",
        flow.octets * 8 / 1000 / took_s,
        flow.frames / took_s,
        None if lost is None else 100 * lost,
        octets,
    )
