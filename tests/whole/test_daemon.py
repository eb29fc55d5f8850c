"""The daemon as a process on the simulated site: starts, is asked, is told to reload, stops, dies."""

import asyncio
import json
import os
import pwd
import signal
import time
from typing import Any

import pytest

from tests.whole.conftest import Farm

pytestmark = pytest.mark.whole


async def settled_in(farm: Farm) -> None:
    """Wait until the daemon has measured, and then for two rounds more: what was normal must be known."""

    async def measured() -> bool:
        status, out, _ = await farm.ask("status")
        return status == 0 and "inside" in out

    await farm.until(measured)
    await asyncio.sleep(5)


async def drops(farm: Farm, fault: str, pole: str) -> dict[str, Any]:
    farm.breaks(fault, pole)

    async def raised() -> bool:
        return f"{pole} pole-silent" in await farm.standing()

    await farm.until(raised)
    standing = await farm.standing()
    assert list(standing) == [f"{pole} pole-silent"], "consequences must not raise alarms of their own"
    return standing[f"{pole} pole-silent"]


async def received(farm: Farm, letters: int) -> None:
    async def told() -> bool:
        return len(farm.received) >= letters

    await farm.until(told)


async def test_a_pole_drops_is_called_out_acknowledged_returns_and_is_settled(farm: Farm) -> None:
    daemon = await farm.daemon()
    await settled_in(farm)
    alarm = await drops(farm, "feeder-open", "creek")
    assert alarm["cause"]["group"] == "power", alarm["cause"]
    assert alarm["impacted"] == ["ridge", "woolshed"]
    await received(farm, 1)
    assert farm.received[0][0] == "Tarrow Downs: creek silent"
    await looked_at(farm)
    farm.repaired()
    await received(farm, 2)
    assert farm.received[1][0] == "Tarrow Downs: creek silent – all clear"
    assert "it was power or the switch itself: its uptime restarted" in farm.received[1][1]
    assert len(farm.received) == 2
    assert await farm.standing() == {}

    began = time.monotonic()
    daemon.send_signal(signal.SIGTERM)
    assert await daemon.wait() == 0
    assert time.monotonic() - began < 3
    status, out, err = await farm.ask("alarms")
    assert status == 3, "nobody is watching"
    assert "farpole is not running" in err
    assert "1 cleared" in out


async def looked_at(farm: Farm) -> None:
    """What a person sees and does while the pole is silent."""
    status, out, _ = await farm.ask("why", "woolshed")
    assert status == 0
    assert "Isolate the feeder before touching DC" in out
    _, out, _ = await farm.ask("status", "--json")
    states = {pole["name"]: pole["state"] for pole in json.loads(out)["poles"]}
    assert states == {"creek": "silent", "woolshed": "not seen", "yards": "answers", "ridge": "not seen"}
    status, out, _ = await farm.ask("alarms", "ack", "creek", "pole-silent", "--note", "on my way")
    assert (status, out) == (0, "creek pole-silent: ack\n")
    status, _, err = await farm.ask("alarms", "ack", "creek", "pole-silent")
    assert status == 1
    assert "ack cannot follow" in err


async def test_a_reload_takes_a_good_plan_and_leaves_the_old_one_running_on_a_bad_one(farm: Farm) -> None:
    daemon = await farm.daemon()
    assert daemon.stderr is not None

    async def poles() -> list[str]:
        status, out, _ = await farm.ask("status", "--json")
        return [pole["name"] for pole in json.loads(out)["poles"]] if status == 0 and out else []

    async def up() -> bool:
        return len(await poles()) == 4

    await farm.until(up)
    text = farm.settings.plan_file.read_text(encoding="utf-8")
    farm.settings.plan_file.write_text(text.replace("length_m: 640", "lenght_m: 640"), encoding="utf-8")
    daemon.send_signal(signal.SIGHUP)
    line = ""
    while "lenght_m" not in line:
        line = (await asyncio.wait_for(daemon.stderr.readline(), 10)).decode()
    assert "did you mean length_m?" in line
    assert len(await poles()) == 4

    without_ridge = farm.site.plan.model_copy(
        update={
            "poles": [pole for pole in farm.site.plan.poles if pole.name != "ridge"],
            "supplies": [supply for supply in farm.site.plan.supplies if supply.name != "ridge-solar"],
        }
    )
    from monitor.daemon.demo import lay_out

    lay_out(farm.settings.plan_file.parent, without_ridge, "farm-word", 1, None)
    daemon.send_signal(signal.SIGHUP)

    async def fewer() -> bool:
        return await poles() == ["creek", "woolshed", "yards"]

    await farm.until(fewer)
    daemon.terminate()
    assert await daemon.wait() == 0


async def test_fits_answers_from_live_readings_of_the_running_daemon(farm: Farm) -> None:
    daemon = await farm.daemon()
    await settled_in(farm)
    status, out, err = await farm.ask("fits", "camera", "--at", "yards", "--json")
    assert status == 0, err
    answers = {answer["budget"]: answer for answer in json.loads(out)["answers"]}
    assert answers["PoE switch, measured"]["why"].endswith("W are drawn now")
    assert answers["light, measured"]["before"] > 0
    assert "measured resistance" in answers["volts at yards"]["why"]
    daemon.terminate()
    assert await daemon.wait() == 0


async def test_a_note_is_kept_and_printed(farm: Farm) -> None:
    daemon = await farm.daemon()

    async def up() -> bool:
        return (await farm.ask("note"))[0] == 0

    await farm.until(up)
    status, out, _ = await farm.ask("note", "creek", "cleaned the connector", "--by", "jo")
    assert (status, out) == (0, "noted at creek: cleaned the connector\n")
    status, _, err = await farm.ask("note", "moon", "looked at it")
    assert (status, "no place of this site" in err) == (2, True)
    _, out, _ = await farm.ask("note", "creek")
    me = pwd.getpwuid(os.getuid()).pw_name
    assert out.split("  ")[-2:] == ["cleaned the connector", f"jo (entered by {me})\n"]
    kept = json.loads((await farm.ask("note", "--json"))[1])
    assert [(one["resource"], one["text"]) for one in kept] == [("creek", "cleaned the connector")]
    assert (await farm.ask("note", "creek", "and the lid", "--json"))[0] == 0
    assert [one["who"] for one in json.loads((await farm.ask("note", "--json"))[1])] == [f"jo (entered by {me})", me]
    daemon.send_signal(signal.SIGTERM)
    await daemon.wait()
    status, _, err = await farm.ask("note", "creek", "x")
    assert (status, "a note is kept by a running farpole" in err) == (3, True)


async def test_a_second_daemon_on_the_same_data_is_refused_in_one_line(farm: Farm) -> None:
    first = await farm.daemon()

    async def up() -> bool:
        return (await farm.ask("status"))[0] == 0

    await farm.until(up)
    second = await farm.daemon()
    _, err = await second.communicate()
    assert second.returncode == 1
    assert err.decode().strip().splitlines() == [f"farpole: another farpole already runs on {farm.settings.data}"]
    assert (await farm.ask("status"))[0] == 0, "the first must not be harmed"
    first.terminate()
    assert await first.wait() == 0


async def test_a_killed_daemon_loses_nothing_and_calls_out_nothing_twice(farm: Farm) -> None:
    daemon = await farm.daemon()

    async def up() -> bool:
        return (await farm.ask("status"))[0] == 0

    await farm.until(up)
    await asyncio.sleep(3)
    farm.breaks("fibre-cut", "yards")

    async def told() -> bool:
        return bool(farm.received)

    await farm.until(told)
    assert "the fibre is cut" in farm.received[0][1]
    await asyncio.sleep(1.5)
    daemon.kill()
    await daemon.wait()
    again = await farm.daemon()
    await farm.until(up)
    assert "yards pole-silent" in await farm.standing()
    await asyncio.sleep(6)
    assert len(farm.received) == 1
    again.terminate()
    assert await again.wait() == 0


async def test_a_data_directory_that_cannot_be_written_is_one_line(farm: Farm) -> None:
    farm.settings.data.write_text("a file, not a folder", encoding="utf-8")
    daemon = await farm.daemon()
    _, err = await daemon.communicate()
    assert daemon.returncode == 1
    assert len(err.decode().strip().splitlines()) == 1
    assert "cannot be written" in err.decode()
