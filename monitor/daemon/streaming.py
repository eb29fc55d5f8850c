"""Looking at cameras: how far their streams work, what comes for a few seconds, and what their clocks say."""

from collections.abc import Mapping

from monitor.alarms import conditions
from monitor.daemon.clock import Clock
from monitor.daemon.rounds import Rounds
from monitor.daemon.secrets import StreamLogin
from monitor.devices.ask import http, rtsp
from monitor.devices.ask.own import CouldNotAsk
from monitor.devices.decode import onvif
from monitor.devices.decode.raw import Absent, Garbled
from monitor.devices.decode.rtp import LAYERS, Seen
from monitor.devices.decode.rtsp_login import Refusal
from monitor.devices.questions import LoadToAsk
from monitor.facts import resources
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.facts.streams import StreamState

LOOK_S = 3.0
TURN_S = LOOK_S + 1.0
"""For so long a look has the uplinks to itself; one that takes longer does not hold up the next."""
_DAY_S = 86_400.0
_MEGABYTE = 1e6
_SOAP = "application/soap+xml; charset=utf-8"
_NOBODY = StreamLogin("", "")
_REFUSED = {Refusal.IN_CLEAR: StreamState.PASSWORD_IN_CLEAR, Refusal.UNKNOWN_WAY: StreamState.LOG_IN_UNKNOWN}


class Streaming:
    """Checks of streams and clocks over one memory. What a look costs is counted by the day and spread over it."""

    def __init__(self, rounds: Rounds, logins: Mapping[str, StreamLogin], clock: Clock) -> None:
        self._rounds, self._logins, self._clock = rounds, logins, clock
        self._layouts: dict[str, Layout] = {}
        self._spent: dict[str, tuple[float, float]] = {}
        self._turns_end_s: dict[str, float] = {}

    async def check(self, load: LoadToAsk) -> None:
        """One load's stream and clock: kept, judged, told. No load waits for what another does."""
        place = resources.place_of(load.resource)
        if self._rounds.memory.watches[place].doubtful:
            return  # what lies behind a silent pole is unknown
        asking, began_s = self._rounds.asking, self._clock.monotonic_s()
        try:
            readings = await self._look(load)
        except CouldNotAsk:
            asking.could_not()
            await self._rounds.own_faults()
            return
        if readings is None:
            return
        found = list(conditions.of_stream(readings))
        if any(one.severity is not None for one in found) and asking.stood_still(began_s):
            return
        if all(one.severity is None for one in found) or await self._rounds.stands(place):
            await self._rounds.take(readings, found)

    async def _look(self, load: LoadToAsk) -> Round | None:
        slots: list[tuple[str, float | State | str]] = []
        if load.stream is not None:
            as_ = self._logins.get(load.credentials or "", _NOBODY)
            stream = rtsp.Stream(
                load.address, load.stream.port, load.stream.path, as_.user, as_.password, basic=as_.basic
            )
            for_s = LOOK_S if self._may_look(load) else 0.0
            try:
                if for_s:
                    await self._turn(load.resource)
                seen = await rtsp.look(stream, for_s, load.stream.over)
            finally:
                self._turns_end_s.pop(load.resource, None)
            self._spend(load, seen.octets)
            slots += _of_stream(seen, for_s > 0)
        if load.onvif_port is not None:
            slots.append(("clock_offset_seconds", await self._clock_offset(load.address, load.onvif_port)))
        if not slots:
            return None
        names = tuple(Slot(load.resource, quantity) for quantity, _ in slots)
        layout = self._layouts.get(load.resource)
        if layout is None or layout.slots != names:
            layout = self._layouts[load.resource] = Layout(load.resource, "stream", names)
        readings = Round.blank(layout, self._clock.wall_s(), State.SILENT)
        for i, (_, value) in enumerate(slots):
            if isinstance(value, str):
                readings.garble(i, value)
            elif isinstance(value, State):
                readings.states[i] = value
            else:
                readings.put(i, value)
        return readings

    async def _turn(self, resource: str) -> None:
        """Wait until those before have had their time, so that what is looked at never adds up.

        A turn ends with its look or by the clock, whichever is sooner: not by what a camera does.
        """
        now_s = self._clock.monotonic_s()
        start_s = max(now_s, *self._turns_end_s.values()) if self._turns_end_s else now_s
        self._turns_end_s[resource] = start_s + TURN_S
        if start_s > now_s:
            await self._clock.sleep(start_s - now_s)

    def _may_look(self, load: LoadToAsk) -> bool:
        """Has the day gone on far enough for another look? What it costs is spread evenly."""
        if load.stream is None or not load.stream.megabytes_per_day:
            return False
        now_s = self._clock.monotonic_s()
        since_s, octets = self._spent.get(load.resource, (now_s, 0.0))
        if now_s - since_s >= _DAY_S:
            self._spent[load.resource] = (now_s, 0.0)
            return True
        allowed = load.stream.megabytes_per_day * _MEGABYTE * (now_s - since_s) / _DAY_S
        return octets <= allowed

    def _spend(self, load: LoadToAsk, octets: int) -> None:
        since_s, spent = self._spent.get(load.resource, (self._clock.monotonic_s(), 0.0))
        self._spent[load.resource] = (since_s, spent + octets)

    async def _clock_offset(self, address: str, port: int) -> float | State | str:
        try:
            _, body = await http.post(address, port, onvif.PATH, onvif.QUESTION, _SOAP)
            return onvif.clock_s(body) - self._clock.wall_s()
        except http.NoAnswer:
            return State.SILENT
        except Absent:
            return State.ABSENT
        except Garbled as garbled:
            return str(garbled)


def _state_of(seen: Seen) -> StreamState:
    if not seen.broken:
        return StreamState.ALIVE
    if seen.refusal in _REFUSED:
        return _REFUSED[seen.refusal]
    return StreamState(StreamState.NO_CONNECTION + LAYERS.index(seen.layer))


def _of_stream(seen: Seen, looked: bool) -> list[tuple[str, float | State | str]]:
    """The readings of a look; where only the description was asked, its rates were not asked either."""
    found: list[tuple[str, float | State | str]] = [("stream_state", float(_state_of(seen)))]
    if looked and not seen.broken:
        for quantity, value in (
            ("stream_kilobits_per_s", seen.kilobits_per_s),
            ("stream_frames_per_s", seen.frames_per_s),
            ("stream_lost_percent", seen.lost_percent),
        ):
            found.append((quantity, State.ABSENT if value is None else value))
    return found
