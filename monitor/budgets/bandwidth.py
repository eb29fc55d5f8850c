"""What the loads send upward against the uplink that carries it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from monitor.budgets.terms import Term, need
from monitor.plan.parts import Load, Plan

RTP_PAYLOAD_BYTES = 1400
HEADERS_BYTES = 12 + 8 + 20
"""RTP (RFC 3550 section 5.1), UDP (RFC 768), IPv4 (RFC 791)."""
FRAME_BYTES = 14 + 4 + 4 + 20
"""Ethernet header, VLAN tag and FCS, preamble and gap: IEEE 802.3-2018 3.1 and 4.4.2, IEEE 802.1Q-2018 9.3."""
LIMIT_SHARE = 0.7
"""Share of an uplink above which queues build up: common practice, no source."""
PERCENTILE: Final = 95


def on_wire(megabits_per_s: float) -> float:
    """Mb/s on the wire of a video stream configured for a rate [Mb/s], with RTP, UDP, IP, VLAN and Ethernet.

    rate · (payload + headers + frame) / payload. Valid for streams whose packets are full.

    >>> round(on_wire(6.0), 3)
    6.351
    """
    return megabits_per_s * (RTP_PAYLOAD_BYTES + HEADERS_BYTES + FRAME_BYTES) / RTP_PAYLOAD_BYTES


def frames_per_s(bits_per_s: float, frame_bytes: int) -> float:
    """Most frames a second of a size [bytes, FCS included] on a link [bit/s]: 20 bytes of preamble and gap more.

    Source: IEEE 802.3-2018 4.4.2. Valid from 64 bytes on.

    >>> int(frames_per_s(1e9, 64))
    1488095
    """
    need("frame", frame_bytes, 64, 9216, "bytes")
    return bits_per_s / ((frame_bytes + 20) * 8)


def goodput(megabits_per_s: float, payload_bytes: int, wire_bytes: int) -> float:
    """Mb/s of payload on a link [Mb/s] whose frames take ``wire_bytes`` each, preamble and gap included.

    >>> round(goodput(1000, 1500, 1538), 1)
    975.3
    """
    return megabits_per_s * payload_bytes / wire_bytes


def gigabytes_per_day(megabits_per_s: float) -> float:
    """Storage [GB a day, decimal] of a steady stream [Mb/s].

    >>> gigabytes_per_day(1)
    10.8
    """
    return megabits_per_s * 86_400 / 8000


@dataclass(frozen=True, slots=True)
class BandwidthBudget:
    """What a pole's uplink carries: its own loads and those of the poles behind it."""

    terms: tuple[Term, ...]
    uplink_megabits_per_s: float
    by_vlan: Mapping[str, float]
    not_stated: tuple[str, ...]
    """Loads of which the plan says no rate."""

    @property
    def megabits_per_s(self) -> float:
        """All of it, 95th percentile."""
        return sum(term.value for term in self.terms)

    @property
    def share(self) -> float:
        """Share of the uplink."""
        return self.megabits_per_s / self.uplink_megabits_per_s

    @property
    def margin_megabits_per_s(self) -> float:
        """What is left below 70 % of the uplink."""
        return LIMIT_SHARE * self.uplink_megabits_per_s - self.megabits_per_s

    @property
    def above_minutes_per_day(self) -> float:
        """How long a day the traffic may stay above the limit while its 95th percentile keeps to it."""
        return (100 - PERCENTILE) / 100 * 1440


def load_term(load: Load) -> Term | None:
    """What a load sends upward, or None where the plan does not say."""
    if load.stream is not None:
        rate = on_wire(load.stream.kilobits_per_s / 1000)
        return Term(
            f"{load.name}: stream of {load.stream.kilobits_per_s:g} kb/s with its headers",
            rate,
            "Mb/s",
            "the plan; RFC 3550, 768, 791, IEEE 802.3, 802.1Q",
        )
    if load.megabits_per_s is not None:
        return Term(load.name, load.megabits_per_s, "Mb/s", "the plan")
    return None


def bandwidth(plan: Plan, pole: str, behind: list[str]) -> BandwidthBudget:
    """The budget of one pole's uplink; ``behind`` are the poles reached through it."""
    vlans = {row.id: f"{row.id} {row.name}" + (f", {row.dscp}" if row.dscp else "") for row in plan.vlans}
    terms, by_vlan, silent = [], dict[str, float](), []
    for name in (pole, *behind):
        for load in plan.pole(name).loads:
            term = load_term(load)
            if load.kind == "radio-link" and load.megabits_per_s is None:
                continue  # it sends on what the pole behind it sends, which is counted there
            if term is None:
                silent.append(load.name)
                continue
            terms.append(term if name == pole else Term(f"behind it, {term.name}", term.value, term.unit, term.source))
            key = vlans.get(load.vlan or 0, "no VLAN")
            by_vlan[key] = by_vlan.get(key, 0.0) + term.value
    return BandwidthBudget(tuple(terms), plan.pole(pole).switch.uplink_megabits_per_s, by_vlan, tuple(silent))
