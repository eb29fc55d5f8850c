"""RTP (RFC 3550): what a few seconds of a stream tell: bit rate, frames, loss. No picture is looked at or kept."""

import struct
from dataclasses import dataclass, field

from monitor.devices.decode.rtsp_login import Refusal

_HEAD = struct.Struct(">BBHII")
_VERSION = 2
_MOST_DROPOUT = 3000
"""RFC 3550 appendix A.1, MAX_DROPOUT: a jump further ahead than this is a source that started anew."""


@dataclass
class Flow:
    """Statistics of one RTP source, as its packets come; extended sequence numbers after RFC 3550 appendix A.1."""

    source: int | None = None
    octets: int = 0
    packets: int = 0
    frames: int = 0
    foreign: int = 0
    first: int = 0
    highest: int = 0
    restarts: int = 0
    _timestamp: int | None = None
    _seen: set[int] = field(default_factory=set)

    def take(self, packet: bytes) -> None:
        """Count one packet; what is no RTP of this source is counted as foreign."""
        if len(packet) < _HEAD.size or packet[0] >> 6 != _VERSION:
            self.foreign += 1
            return
        _, kind, number, timestamp, source = _HEAD.unpack_from(packet)
        if 72 <= kind & 0x7F <= 76:  # RTCP on the same channel: RFC 5761 section 4
            return
        if self.source is None:
            self.source, self.first, self.highest = source, number, number
        elif source != self.source:
            self.foreign += 1
            return
        self._count(number)
        self.packets += 1
        self.octets += len(packet)
        if timestamp != self._timestamp:
            self._timestamp = timestamp
            self.frames += 1

    def _count(self, number: int) -> None:
        ahead = (number - self.highest) & 0xFFFF
        if ahead < _MOST_DROPOUT:
            self.highest += ahead
        elif ahead < 0x10000 - _MOST_DROPOUT:
            self.restarts += 1
            self.first = self.highest = number
            self._seen.clear()
        extended = self.highest - ((self.highest - number) & 0xFFFF)
        self._seen.add(extended)

    @property
    def lost_share(self) -> float | None:
        """Share of the expected packets that never came: RFC 3550 appendix A.3; None before two have come."""
        expected = self.highest - self.first + 1
        if self.packets < 2 or expected <= 0:
            return None
        received = sum(1 for number in self._seen if self.first <= number <= self.highest)
        return max(0.0, (expected - received) / expected)


@dataclass(frozen=True, slots=True)
class Seen:
    """How far a check of a stream came, and what it saw. ``broken`` is empty where all was well."""

    layer: str
    broken: str = ""
    kilobits_per_s: float | None = None
    frames_per_s: float | None = None
    lost_percent: float | None = None
    octets: int = 0
    refusal: Refusal | None = None
    """Why the log-in did not come about, where that is what is broken."""


LAYERS = ("tcp", "rtsp", "login", "description", "setup", "play", "media")
"""From the connection to the picture, in their order."""
