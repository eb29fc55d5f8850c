"""RTSP 1.0 (RFC 2326) as a conversation without a socket: requests out, octets in, answers and media frames out.

Cameras speak version 1.0; RFC 7826 (2.0) is not asked of them. Everything that comes is bounded, and hostile.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from urllib.parse import urljoin

from monitor.devices.decode.raw import Garbled, text
from monitor.devices.decode.rtsp_login import Login

_MOST_HEAD, _MOST_BODY, _MOST_WAITING = 16_384, 65_536, 262_144
_FRAME = 0x24
"""RFC 2326 section 10.12: a media frame among answers begins with a dollar sign, its channel and its length."""


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer of the server."""

    status: int
    headers: Mapping[str, str]
    body: bytes = b""
    challenges: tuple[str, ...] = ()
    number: int | None = None


@dataclass(frozen=True, slots=True)
class Media:
    """A frame of the stream that came among the answers."""

    channel: int
    data: bytes


class Conversation:
    """One connection: numbers the requests, takes what comes apart."""

    def __init__(self, login: Login | None = None) -> None:
        self.login = login
        self.session = ""
        self._number = 0
        self._waiting = bytearray()

    def request(self, method: str, uri: str, headers: Mapping[str, str] | None = None) -> bytes:
        """A request as octets; raises Garbled where the log-in cannot be done."""
        self._number += 1
        lines = [f"{method} {uri} RTSP/1.0", f"CSeq: {self._number}", "User-Agent: farpole"]
        said = self.login.header(method, uri) if self.login else None
        lines += [f"Authorization: {said}"] if said else []
        lines += [f"Session: {self.session}"] if self.session else []
        lines += [f"{name}: {value}" for name, value in (headers or {}).items()]
        return ("\r\n".join(lines) + "\r\n\r\n").encode()

    @property
    def number(self) -> int:
        """Of the last request."""
        return self._number

    def feed(self, data: bytes) -> Iterator[Answer | Media]:
        """Take octets; what is whole by now. Raises Garbled for what is no RTSP."""
        self._waiting += data
        if len(self._waiting) > _MOST_WAITING:
            raise Garbled("an answer without an end")
        while True:
            taken = self._media() if self._waiting[:1] == bytes((_FRAME,)) else self._answer()
            if taken is None:
                return
            yield taken

    def _media(self) -> Media | None:
        if len(self._waiting) < 4:
            return None
        size = int.from_bytes(self._waiting[2:4], "big")
        if len(self._waiting) < 4 + size:
            return None
        taken = Media(self._waiting[1], bytes(self._waiting[4 : 4 + size]))
        del self._waiting[: 4 + size]
        return taken

    def _answer(self) -> Answer | None:
        end = self._waiting.find(b"\r\n\r\n")
        if end < 0:
            if len(self._waiting) > _MOST_HEAD or (len(self._waiting) > 8 and not self._waiting.startswith(b"RTSP/")):
                raise Garbled("what came is no RTSP answer")
            return None
        head = self._waiting[:end].decode("utf-8", "replace").split("\r\n")
        first = re.fullmatch(r"RTSP/\d\.\d (\d{3})(?: .*)?", head[0])
        if first is None:
            raise Garbled(f"what came is no RTSP answer: {text(head[0].encode())!r}")
        headers: dict[str, str] = {}
        challenges = []
        for line in head[1:]:
            name, _, said = line.partition(":")
            headers.setdefault(name.strip().lower(), said.strip())
            if name.strip().lower() == "www-authenticate":
                challenges.append(said.strip())
        length = headers.get("content-length", "0")
        size = int(length) if re.fullmatch(r"\d{1,6}", length) else _MOST_BODY + 1
        if size > _MOST_BODY:
            raise Garbled("an answer whose length cannot be")
        if len(self._waiting) < end + 4 + size:
            return None
        body = bytes(self._waiting[end + 4 : end + 4 + size])
        del self._waiting[: end + 4 + size]
        number = headers.get("cseq", "")
        return Answer(int(first[1]), headers, body, tuple(challenges), int(number) if number.isdecimal() else None)


@dataclass(frozen=True, slots=True)
class Track:
    """The video of a stream: where it is set up, and its clock [Hz]."""

    control: str
    clock_hz: int = 90_000
    codec: str = ""


def video_track(answer: Answer, asked: str) -> Track:
    """The first video track of a description (SDP, RFC 8866); raises Garbled where there is none."""
    base = answer.headers.get("content-base") or answer.headers.get("content-location") or asked
    lines = answer.body.decode("utf-8", "replace").splitlines()[:2000]
    at = next((i for i, line in enumerate(lines) if line.startswith("m=video")), None)
    if at is None:
        raise Garbled("the description has no video")
    control, clock_hz, codec = "", 90_000, ""
    for line in lines[at + 1 :]:
        if line.startswith("m="):
            break
        if line.startswith("a=control:"):
            control = line.removeprefix("a=control:").strip()
        mapped = re.match(r"a=rtpmap:\d+ ([\w.+-]{1,20})/(\d{1,7})", line)
        if mapped:
            codec, clock_hz = mapped[1], int(mapped[2]) or 90_000
    if control in ("", "*"):
        return Track(base, clock_hz, codec)
    return Track(
        control if "://" in control else urljoin(base if base.endswith("/") else base + "/", control), clock_hz, codec
    )
