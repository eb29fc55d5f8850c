from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.budgets.bandwidth import bandwidth, frames_per_s, gigabytes_per_day, goodput, on_wire
from monitor.plan.parts import Plan
from tests.golden.table import rows


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("bandwidth", "pps_max"))
def test_most_frames_a_second(given_: dict[str, Any], expected: dict[str, Any], tolerance: float) -> None:
    assert frames_per_s(given_["bps"], given_["frame"]) == pytest.approx(expected["pps"], abs=tolerance)


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("bandwidth", "goodput"))
def test_payload_of_full_frames(given_: dict[str, Any], expected: dict[str, Any], tolerance: float) -> None:
    found = goodput(given_["mbps"], given_["payload"], given_["wire"])
    assert found == pytest.approx(expected["mbps"], abs=tolerance)


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("bandwidth", "storage_gb_day"))
def test_storage_of_a_day(given_: dict[str, Any], expected: dict[str, Any], tolerance: float) -> None:
    assert gigabytes_per_day(given_["mbps"]) == pytest.approx(expected["gb"], abs=tolerance)
    if "tb_month" in expected:
        assert gigabytes_per_day(given_["mbps"]) * 30 / 1000 == pytest.approx(expected["tb_month"], abs=tolerance)


def test_headers_of_a_full_rtp_packet() -> None:
    # 12 (RTP, RFC 3550) + 8 (UDP, RFC 768) + 20 (IPv4, RFC 791) + 18 + 4 (Ethernet, VLAN tag) + 20 (preamble, gap).
    assert on_wire(1.0) == pytest.approx(1 + (12 + 8 + 20 + 18 + 4 + 20) / 1400)


def test_a_uplink_carries_what_lies_behind_it(tarrow: Plan) -> None:
    woolshed, ridge = bandwidth(tarrow, "woolshed", []), bandwidth(tarrow, "ridge", [])
    creek = bandwidth(tarrow, "creek", ["woolshed", "ridge"])
    own = on_wire(6.0) + 0.2
    assert creek.megabits_per_s == pytest.approx(own + woolshed.megabits_per_s + ridge.megabits_per_s)
    assert sum(creek.by_vlan.values()) == pytest.approx(creek.megabits_per_s)
    assert creek.margin_megabits_per_s == pytest.approx(700 - creek.megabits_per_s)
    assert any("AF41" in name for name in creek.by_vlan)


def test_a_rate_that_the_plan_does_not_say_is_said_to_be_missing(tarrow: Plan) -> None:
    pole = tarrow.pole("woolshed")
    loads = [load.model_copy(update={"megabits_per_s": None}) for load in pole.loads]
    poles = [pole.model_copy(update={"loads": loads}) if p.name == "woolshed" else p for p in tarrow.poles]
    found = bandwidth(tarrow.model_copy(update={"poles": poles}), "woolshed", [])
    assert found.not_stated == ("woolshed-wifi",)
    assert found.megabits_per_s == pytest.approx(on_wire(6.0))


def test_five_percent_of_a_day_may_be_above(tarrow: Plan) -> None:
    # A 95th percentile leaves 5 % of the 1,440 minutes of a day.
    assert bandwidth(tarrow, "yards", []).above_minutes_per_day == pytest.approx(72)


@given(st.integers(64, 9000), st.floats(1e6, 1e11))
def test_larger_frames_carry_more(frame: int, bits_per_s: float) -> None:
    assert frames_per_s(bits_per_s, frame) * frame < frames_per_s(bits_per_s, frame + 1) * (frame + 1)


def test_a_frame_below_64_bytes_is_refused_with_the_range() -> None:
    with pytest.raises(ValueError, match="outside 64 to 9216 bytes"):
        frames_per_s(1e9, 63)
