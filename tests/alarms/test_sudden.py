"""Signs of sudden changes → alarms: each at the resource where somebody would look, and of what is unknown nothing."""

import pytest

from monitor.alarms.sudden import of_load, of_pole
from monitor.plan.parts import Plan

FAR, SWITCH, UPLINK = "creek/optic/5", "creek/switch", "creek/port/5"


@pytest.mark.parametrize(
    ("sign", "pole", "where"),
    [
        ("light_near_fell", "creek", "office/optic/9 light-fell"),
        ("light_far_fell", "creek", f"{FAR} light-fell"),
        ("light_near_fell", "woolshed", "creek/optic/6 light-fell"),
        ("optic_hot", "creek", f"{FAR} optic-hot"),
        ("light_comes_and_goes", "creek", f"{UPLINK} link-restless"),
        ("frame_errors", "creek", f"{UPLINK} frames-broken"),
        ("uplink_full", "creek", f"{UPLINK} uplink-full"),
        ("discards", "creek", f"{UPLINK} uplink-full"),
        ("loop_rose", "creek", "creek/feeder loop-rose"),
        ("broadcast", "creek", f"{SWITCH} broadcast-flood"),
        ("tree_changes", "creek", f"{SWITCH} tree-restless"),
        ("agent_slow", "creek", f"{SWITCH} agent-slow"),
        ("never_full", "ridge", "supply/ridge-solar never-full"),
        ("no_charge_in_sun", "ridge", "supply/ridge-solar not-charging"),
    ],
)
def test_one_sign_of_a_pole(tarrow: Plan, sign: str, pole: str, where: str) -> None:
    def raised(so: bool | None) -> list[tuple[str, bool]]:
        found = of_pole(tarrow.pole(pole), tarrow, {sign: so})
        return [(str(one.key), one.severity is not None) for one in found]

    assert raised(True) == [(where, True)]
    assert raised(False) == [(where, False)]
    assert raised(None) == []


def test_a_pole_without_fibre_or_feeder_has_no_alarm_of_either(tarrow: Plan) -> None:
    signs: dict[str, bool | None] = dict.fromkeys(("optic_hot", "light_near_fell", "loop_rose", "uplink_full"), True)
    assert list(of_pole(tarrow.pole("ridge"), tarrow, signs)) == []


@pytest.mark.parametrize(
    ("sign", "where"),
    [
        ("few_octets", "creek/load/creek-gate-camera load-quiet"),
        ("watts_saw_tooth", "creek/port/1 port-restless"),
        ("shorts", "creek/port/1 port-cut"),
        ("overloads", "creek/port/1 port-cut"),
        ("denials", "creek/port/1 port-cut"),
        ("port_errors", "creek/port/1 frames-broken"),
    ],
)
def test_one_sign_of_a_load_names_the_load(tarrow: Plan, sign: str, where: str) -> None:
    (one,) = of_load("creek", tarrow.pole("creek").loads[0], {sign: True})
    assert (str(one.key), one.text.startswith("creek-gate-camera: ")) == (where, True)
    (well,) = of_load("creek", tarrow.pole("creek").loads[0], {sign: False})
    assert (well.severity, well.text) == (None, "")
