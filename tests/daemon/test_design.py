from pathlib import Path

from monitor.daemon.design import Design
from monitor.daemon.files import load_plan


def test_what_a_plan_asks_for_and_is_not_done_is_said(design: Design) -> None:
    assert design.not_carried_out() == ()
    everything = Path(__file__).parents[1] / "plan" / "all-fields.yaml"
    said = Design.of(*load_plan(everything)).not_carried_out()
    assert [line.split(". ")[1].split(":")[0] for line in said] == []
