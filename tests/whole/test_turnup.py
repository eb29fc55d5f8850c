"""A pole of the simulated site is turned up: the sheet agrees with what the simulation knows."""

import json
from functools import partial
from pathlib import Path

import pytest

from monitor.daemon.lock import HISTORY
from monitor.history.store import Store
from tests.whole.conftest import Farm, farm

__all__ = ["farm"]

pytestmark = pytest.mark.whole


async def up(farm: Farm) -> bool:
    return (await farm.ask("status"))[0] == 0


async def learnt(farm: Farm) -> bool:
    status, out, _ = await farm.ask("status", "--json")
    picture = json.loads(out) if status == 0 else {"poles": []}
    return any(m["quantity"] == "rx_dbm" and m["value"] for p in picture["poles"] for m in p["margins"])


async def test_a_good_pole_and_the_same_with_a_dirty_connector(farm: Farm, tmp_path: Path) -> None:
    daemon = await farm.daemon()
    await farm.until(partial(learnt, farm))
    status, out, err = await farm.ask("turnup", "creek", "--minutes", "0.3", "--by", "jo", "--json")
    assert status == 0, err
    sheet = json.loads(out)
    items = {f"{one['slot'][0]} {one['slot'][1]}": one for one in sheet["day"]["items"]}
    state = farm.site.world.places["creek"]
    assert items["creek/switch input_volts"]["measured"]["median"] == pytest.approx(state.volts, abs=0.3)
    assert items["creek/feeder loop_ohms"]["standing"] == "inside"
    facts = dict(sheet["day"]["facts"])
    assert facts["creek/switch"] == "simulated switch"
    assert sheet["outside"] == []

    farm.breaks("dirty-connector", "creek")
    status, out, err = await farm.ask("turnup", "creek", "--minutes", "0.3", "--by", "jo", "--json")
    again = json.loads(out)
    assert again["before"]["at_s"] == sheet["day"]["at_s"], "the sheet shows before and after"
    for name, kind in (("sheet.html", b"<!doctype html>"), ("sheet.pdf", b"%PDF")):
        status, _, err = await farm.ask("turnup", "creek", "--last", "--out", str(tmp_path / name))
        assert (tmp_path / name).read_bytes().startswith(kind), err
    status, out, _ = await farm.ask("turnup", "creek", "--last")
    assert "Isolate the feeder before touching DC" in out
    assert (await farm.ask("turnup", "nowhere", "--minutes", "0.3"))[0] == 1
    daemon.terminate()
    await daemon.communicate()
    with Store(farm.settings.data / HISTORY, read_only=True) as store:
        assert {"rx_dbm", "loop_ohms"} <= {one.quantity for one in store.baselines() if "turn-up" in one.reason}
