"""Notifications from devices: each asks its sender now. None of them changes what is known of anything."""

import logging
import os
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from monitor.daemon.clock import Clock
from monitor.daemon.memory import Memory
from monitor.devices.ask.snmp_traps import Notification
from monitor.devices.decode.interfaces import IF_OPER_STATUS
from monitor.devices.decode.raw import oid
from monitor.devices.decode.traps import Hint, Notice, hint

log = logging.getLogger(__name__)

BURST, REFILL_S = 5.0, 2.0
"""From one source this many notifications are heard at once, and one more each so many seconds."""
_STRANGERS_AGAIN_S = 60.0
_ENGINE_ID_FILE = "engine"
_ENGINE_PREFIX = bytes.fromhex("80007ed905")
"""RFC 3411 SnmpEngineID: enterprise 32473 (RFC 5612, for documentation: we have none of our own), octets follow."""


def own_engine(data: Path) -> tuple[bytes, int]:
    """Our engine ID, the same for ever, and how often it has started: informs (v3) go on after a restart.

    Where that cannot be written, an ID of this run only: under one ID the count must never repeat itself (RFC 3414,
    section 2.2.1), and senders ask anew for an ID that they do not know (section 4).
    """
    file = data / _ENGINE_ID_FILE
    half = file.with_name(f"{_ENGINE_ID_FILE}.part")
    try:
        engine_id, boots = _engine_in(file)
        half.write_text(f"{engine_id.hex()} {boots + 1}", encoding="ascii")
        half.replace(file)  # a full disk, or a power cut now, must leave the old count
    except OSError as error:
        log.warning("the engine ID of notifications holds for this run only: %s", error)
        with suppress(OSError):
            half.unlink()
        return _ENGINE_PREFIX + os.urandom(8), 1
    return engine_id, boots + 1


def _engine_in(file: Path) -> tuple[bytes, int]:
    """The ID and the count of a file; new ones where there is none, or nothing that was ours. Raises OSError."""
    try:
        written, _, count = file.read_text(encoding="ascii").partition(" ")
        return bytes.fromhex(written), int(count)
    except (FileNotFoundError, ValueError):
        return _ENGINE_PREFIX + os.urandom(8), 0


@dataclass
class _Bucket:
    left: float
    at_s: float


class Trapping:
    """What to do when a notification comes."""

    def __init__(self, memory: Memory, clock: Clock, ask_now: Callable[[str, str, bool], None]) -> None:
        """``ask_now(place, words, suspicious)`` has a place asked at once."""
        self._memory, self._clock, self._ask_now = memory, clock, ask_now
        self._places = {device.address: device for device in memory.design.devices.values()}
        self._buckets: dict[str, _Bucket] = {}
        self._stranger_s = -_STRANGERS_AGAIN_S
        self.counts: Counter[str] = Counter()

    def heard(self, note: Notification) -> None:
        """Take one notification; whoever floods is heard now and then, and nobody else waits for it."""
        device = self._places.get(note.source)
        if device is None:
            self.counts["from strangers"] += 1
            if self._clock.monotonic_s() - self._stranger_s >= _STRANGERS_AGAIN_S:
                self._stranger_s = self._clock.monotonic_s()
                log.warning("a notification came from %s, which is no device of the plan", note.source)
            return
        if not self._may(note.source):
            self.counts["over the rate"] += 1
            return
        self.counts["heard"] += 1
        said = hint(note.objects, frozenset(oid(one) for one in device.sheet.dying_gasp))
        log.info("%s says: %s%s", device.name, said.words, "" if note.authentic else " (anybody could have)")
        if said.notice is Notice.DYING_GASP:
            self._memory.gasps[device.place] = self._clock.wall_s()
        for place in self._doubted(device.name, device.place, said):
            self._ask_now(place, said.words, True)
        self._ask_now(device.place, said.words, False)

    def _may(self, source: str) -> bool:
        now_s = self._clock.monotonic_s()
        bucket = self._buckets.setdefault(source, _Bucket(BURST, now_s))
        bucket.left = min(BURST, bucket.left + (now_s - bucket.at_s) / REFILL_S)
        bucket.at_s = now_s
        if bucket.left < 1:
            return False
        bucket.left -= 1
        return True

    def _doubted(self, device: str, place: str, said: Hint) -> list[str]:
        """Poles on which a notification casts doubt: those behind the port that it names, or behind the switch."""
        uplinks = self._memory.design.topology.uplink
        below = [pole for pole, above in self._memory.design.topology.above.items() if above == place]
        if said.if_index is None:
            return below if said.notice is Notice.LINK_DOWN else []
        scripts = self._memory.scripts.get(device, {}).values()
        port = next(
            (w.slot.resource for s in scripts for w in s.wants if w.oid == (*IF_OPER_STATUS, said.if_index)), None
        )
        if port is None:
            return below
        return [pole for pole in below if uplinks[pole] == port]
