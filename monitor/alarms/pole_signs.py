"""Signs of one pole that answers: its light, its network, its power, and each of its loads from watts to picture."""

import math
from collections.abc import Callable, Iterable

from monitor.alarms.book import Key
from monitor.alarms.known import Known
from monitor.facts import resources
from monitor.facts.readings import Reading, Slot, State
from monitor.facts.states import POE_FAULTS, IfOperStatus, PethPsePortDetectionStatus, TcpState
from monitor.facts.streams import StreamState
from monitor.facts.words import say
from monitor.margins.judge import Standing
from monitor.plan.parts import Load, Pole

Found = dict[str, bool | None]

FRESH_S = 900.0
"""How old a reading may be to count as how it is now: a few rounds of the slowest tier that is needed."""
LATELY_S = 3600.0
FELL_DB, SAME_DB, UNEQUAL_DB = 0.5, 0.3, 0.4
HOT_C = 70.0
"""Common case temperature limit of commercial optics; industrial ones bear 85 °C."""
LOOP_ROSE_OHMS, LOOP_SAME_OHMS = 0.3, 0.15
BIAS_ROSE_SHARE, BIAS_SAME_SHARE = 0.1, 0.05
FEW_MEGABITS_PER_S, FEW_SHARE = 0.016, 0.1
IDLE_WATTS = 0.3
BUSY_SHARE = 0.75
FLOOD_FRAMES_PER_S = 1000.0
FLAPS = 4
"""The thresholds above: common practice, no source; each is a default that the benches test."""
VISIT_S = 3 * 86_400.0
"""How long a noted visit may be what something began with."""
_OWN_TROUBLE = ("callouts-not-going-out", "history-not-written", "clock-doubted", "sign-of-life-lost")


class PoleSigns:
    """Signs of one pole that answers."""

    def __init__(self, known: Known, pole: Pole, now_s: float) -> None:
        self._known, self._pole, self._now_s = known, pole, now_s

    @property
    def pole(self) -> Pole:
        """The pole."""
        return self._pole

    def contexts(self) -> Found:
        """What the plan says of it."""
        return {"solar": self._pole.feeder is None, "radio": self._pole.fibre is None}

    def _value(self, resource: str, quantity: str) -> float | None:
        return self._known.latest.value(Slot(resource, quantity), self._now_s - FRESH_S)

    def _moved(self, resource: str, quantity: str) -> float | None:
        """By how much a level differs from what was usual."""
        value = self._value(resource, quantity)
        norm = self._known.norms.norm(Slot(resource, quantity), self._now_s)
        return None if value is None or norm is None else value - norm

    def _stands(self, resource: str, kind: str) -> bool:
        alarms = self._known.book.alarms
        return any(not a.cleared for key, a in alarms.items() if key.resource == resource and key.type == kind)

    def whole(self) -> Found:
        """The pole as a whole."""
        known, place = self._known, self._pole.name
        watch = known.watches[place]
        troubled = [load for load in self._pole.loads if self._troubled(load)]
        return {
            "pole_silent": False,
            "siblings_lost": False,
            "all_lost": False,
            "agent_silent": watch.agent_ever and watch.agent_misses >= 2,
            "sign_of_life_lost": any(self._stands(resources.ITSELF, kind) for kind in _OWN_TROUBLE),
            "since_visit": self._since_visit(),
            "one_port": len(troubled) == 1 if troubled else None,
            "several_ports": (len(troubled) > 1 and self._together(troubled)) if troubled else None,
        }

    def _together(self, loads: list[Load]) -> bool:
        changed = []
        for load in loads:
            alarm = self._known.book.alarms.get(Key(resources.load(self._pole.name, load.name), "load-silent"))
            if alarm is not None and not alarm.cleared:
                changed.append(alarm.raised_s)
        return len(changed) > 1 and max(changed) - min(changed) < 90

    def light(self) -> Found:
        """The optics at both ends of its fibre, and the frames between them."""
        fibre, known = self._pole.fibre, self._known
        if fibre is None:
            return {}
        above = fibre.start.pole or known.plan.headend.name
        near, far = resources.optic(above, fibre.start.port), resources.optic(self._pole.name, fibre.end.port)
        near_port, far_port = resources.port(above, fibre.start.port), resources.port(self._pole.name, fibre.end.port)
        rx_near, rx_far = self._moved(near, "rx_dbm"), self._moved(far, "rx_dbm")
        found: Found = {
            "light_near_fell": _below(rx_near, FELL_DB, SAME_DB) if rx_near is not None else self._slow_light(near),
            "light_far_fell": _below(rx_far, FELL_DB, SAME_DB) if rx_far is not None else self._slow_light(far),
            "tx_fell": _below(self._moved(far, "tx_dbm"), FELL_DB, SAME_DB),
            "bias_rose": self._bias(far),
            "frame_errors": _above_any((self._value(p, "fcs_error_frames_per_s") for p in (near_port, far_port)), 0.01),
        }
        for sign, resource in (("light_near_fell", near), ("light_far_fell", far)):
            if found[sign] is not True and self._slow_light(resource):
                found[sign], found["gradual"] = True, True
        if rx_near is not None and rx_far is not None and min(rx_near, rx_far) < -FELL_DB:
            found["light_unequal"] = abs(rx_near - rx_far) > UNEQUAL_DB if max(rx_near, rx_far) < -SAME_DB else None
        if fibre.start.optic == fibre.end.optic and found["light_near_fell"] is not found["light_far_fell"]:
            # A fibre for each way: what dirt does to one says nothing of the other.
            found |= {name: None for name in ("light_near_fell", "light_far_fell") if not found[name]}
        optic_c = self._value(far, "optic_c")
        if optic_c is not None:
            found["optic_hot"] = optic_c > HOT_C
        return found | self.flaps()

    def flaps(self) -> Found:
        """Does its link come and go?"""
        fibre, known = self._pole.fibre, self._known
        if fibre is None:
            return {}
        port = resources.port(fibre.start.pole or known.plan.headend.name, fibre.start.port)
        flaps = known.norms.changes(Slot(port, "link_state"), self._now_s - LATELY_S)
        changes = Slot(resources.switch(self._pole.name), "topology_change_count")
        found: Found = {} if flaps is None else {"light_comes_and_goes": flaps >= FLAPS}
        if known.norms.rose(changes, self._now_s - LATELY_S):
            found["tree_changes"] = True
        if self._since_visit():
            found["since_visit"] = True
        return found

    def _since_visit(self) -> bool | None:
        """Was somebody there in the last days? That nobody noted a visit does not say that nobody was there."""
        return self._now_s - self._known.visits.get(self._pole.name, -math.inf) < VISIT_S or None

    def _slow_light(self, optic: str) -> bool | None:
        verdict = self._known.verdicts.get(Slot(optic, "rx_dbm"))
        return None if verdict is None or verdict.judged is None else verdict.drift is not None

    def _bias(self, optic: str) -> bool | None:
        moved, norm = self._moved(optic, "bias_milliamperes"), None
        if moved is not None:
            norm = self._known.norms.norm(Slot(optic, "bias_milliamperes"), self._now_s)
        if moved is None or not norm:
            return None
        return True if moved > BIAS_ROSE_SHARE * norm else False if moved < BIAS_SAME_SHARE * norm else None

    def network(self) -> Found:
        """The uplink, broadcast, spanning tree; and power at the switch."""
        pole, known = self._pole, self._known
        switch = resources.switch(pole.name)
        ports = [resources.port(pole.name, load.port) for load in pole.loads]
        found: Found = {}
        if pole.fibre is not None:
            uplink = resources.port(pole.name, pole.fibre.end.port)
            ports.append(uplink)
            out = self._value(uplink, "out_megabits_per_s")
            if out is not None:
                found["uplink_full"] = out > BUSY_SHARE * (pole.switch.uplink_megabits_per_s or 1000)
            found["discards"] = _above_any((self._value(uplink, "out_discard_frames_per_s"),), 0.1)
        floods = [self._value(port, "in_broadcast_frames_per_s") for port in ports]
        found["broadcast"] = _above_any(floods, FLOOD_FRAMES_PER_S)
        found["tree_changes"] = known.norms.rose(Slot(switch, "topology_change_count"), self._now_s - LATELY_S)
        found["restarted"] = self.restarted()
        found["denials"] = known.norms.rose(Slot(switch, "power_denied_count"), self._now_s - LATELY_S)
        loop = self._moved(resources.feeder(pole.name), "loop_ohms")
        if loop is not None:
            found["loop_rose"] = True if loop > LOOP_ROSE_OHMS else False if loop < LOOP_SAME_OHMS else None
        for sign, slot in (
            ("volts_low", Slot(switch, "input_volts")),
            ("supply_wrong", Slot(resources.supply(known.topology.supply[pole.name]), "supply_volts")),
        ):
            margin = known.margins.get(slot)
            if margin is not None and margin.value is not None:
                found[sign] = margin.standing is not Standing.INSIDE
        return found

    def restarted(self) -> bool | None:
        """Has its switch started anew within the hour?"""
        uptime = self._value(resources.switch(self._pole.name), "uptime_seconds")
        return None if uptime is None else uptime < LATELY_S

    # ---- loads

    def worst(self) -> Load | None:
        """The load in most trouble; None where none is."""
        return next((load for load in self._pole.loads if self._troubled(load)), None)

    def _troubled(self, load: Load) -> bool:
        resource, port = resources.load(self._pole.name, load.name), resources.port(self._pole.name, load.port)
        kinds = (
            "load-silent",
            "stream-broken",
            "stream-thin",
            "service-refused",
            "load-quiet",
            "clock-off",
            "device-moved",
        )
        if any(self._stands(resource, kind) for kind in kinds):
            return True
        at_port = ("poe-port-fault", "port-cut", "port-restless", "frames-broken", "port-slow", "device-unknown")
        if any(self._stands(port, kind) for kind in at_port):
            return True
        errors = self._value(port, "in_error_frames_per_s")
        return errors is not None and errors > 0.01

    def load(self, load: Load) -> Found:
        """One load and its port, from watts to picture."""
        norms, since_s = self._known.norms, self._now_s - LATELY_S
        resource, port = resources.load(self._pole.name, load.name), resources.port(self._pole.name, load.port)
        watts, state = self._value(port, "port_watts"), self._value(port, "poe_port_state")
        found: Found = {
            "port_dead": _dead(watts, state),
            "port_fault": None if state is None else state in POE_FAULTS,
            "port_link_lost": _is(self._value(port, "link_state"), lambda v: v != IfOperStatus.UP),
            "port_slow": _is(self._value(port, "speed_megabits_per_s"), lambda v: 0 < v < 100),
            "port_errors": _above_any(
                (self._value(port, "in_error_frames_per_s"), self._value(port, "fcs_error_frames_per_s")), 0.01
            ),
            "late_collisions": norms.rose(Slot(port, "late_collision_frames"), since_s),
            "overloads": norms.rose(Slot(port, "overload_count"), since_s),
            "shorts": norms.rose(Slot(port, "short_count"), since_s),
            "mps_lost": norms.rose(Slot(port, "mps_absent_count"), since_s),
            "stranger": self._stands(port, "device-unknown"),
            "class_changed": self._stands(port, "class-beside-plan"),
            "address_moved": self._stands(resource, "device-moved") or self._stands(resource, "address-claimed-twice"),
        }
        denied = norms.rose(Slot(port, "power_denied_count"), since_s)
        if denied is not None:
            found["denials"] = denied
        swings = norms.swings(Slot(port, "port_watts"), self._now_s - 1800)
        if swings is not None:
            found["watts_saw_tooth"] = swings >= FLAPS
        if found["port_dead"] or found["port_link_lost"]:
            return found  # what lies behind a dead port is unknown, not failed
        return found | self._service(resource, port)

    def all_loads(self) -> Found:
        """Signs of a pole on which no load is in trouble: seen at any, or known to be at none."""
        each = [self.load(load) for load in self._pole.loads]
        names = {name for found in each for name in found}
        return {name: _any([found.get(name) for found in each]) for name in names}

    def _service(self, resource: str, port: str) -> Found:
        latest = self._known.latest
        found: Found = {"ping_lost": _missed(latest.reading(Slot(resource, "ping_seconds")))}
        tcp, stream = latest.reading(Slot(resource, "tcp_state")), self._value(resource, "stream_state")
        if stream is not None:
            found["stream_lost"] = stream != StreamState.ALIVE
        elif tcp is not None:
            found["stream_lost"] = tcp.value != TcpState.OPEN
        rate = self._value(port, "in_megabits_per_s")
        usual = self._known.norms.norm(Slot(port, "in_megabits_per_s"), self._now_s)
        if rate is not None and usual is not None and usual > 4 * FEW_MEGABITS_PER_S:
            found["few_octets"] = rate < max(FEW_MEGABITS_PER_S, FEW_SHARE * usual)
        thin = self._known.margins.get(Slot(resource, "stream_kilobits_per_s"))
        if thin is not None and thin.value is not None:
            found["picture_still"] = thin.side == "low" and thin.standing is Standing.PAST
        clock = self._known.margins.get(Slot(resource, "clock_offset_seconds"))
        if clock is not None and clock.value is not None:
            found["clock_off"] = clock.standing is not Standing.INSIDE
        return found

    def lines(self, load: Load) -> tuple[str, ...]:
        """Its watts, with what they usually are."""
        port = resources.port(self._pole.name, load.port)
        watts = self._value(port, "port_watts")
        usual = self._known.norms.norm(Slot(port, "port_watts"), self._now_s)
        if watts is None:
            return ()
        if usual is None:
            return (say("port {port}: {watts:.1f} W", port=load.port, watts=watts),)
        words = "port {port}: {watts:.1f} W, usually {usual:.1f} W"
        return (say(words, port=load.port, watts=watts, usual=usual),)


def _any(known: list[bool | None]) -> bool | None:
    return True if any(known) else None if None in known or not known else False


def _below(moved: float | None, fell: float, same: float) -> bool | None:
    """Fell, stayed, or something between that is neither."""
    return None if moved is None else True if moved < -fell else False if moved > -same else None


def _is(value: float | None, test: Callable[[float], bool]) -> bool | None:
    return None if value is None else test(value)


def _dead(watts: float | None, state: float | None) -> bool | None:
    if state is not None and state != PethPsePortDetectionStatus.DELIVERING_POWER:
        return True
    return None if watts is None else watts < IDLE_WATTS


def _missed(reading: Reading | None) -> bool | None:
    return None if reading is None else reading.state is State.SILENT


def _above_any(values: Iterable[float | None], limit: float) -> bool | None:
    known = [value for value in values if value is not None]
    return any(value > limit for value in known) if known else None
