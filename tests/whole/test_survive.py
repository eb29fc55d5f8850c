"""What farms do to a box: it is killed at any moment, and one of its devices talks nonsense for ever."""

import asyncio
import os
import signal
import subprocess
import sys
from functools import partial
from pathlib import Path

import pytest

from monitor.daemon.demo import lay_out
from monitor.plan.parts import Plan
from tests.bench.survive import Hasty, killed, up
from tests.whole.conftest import Farm, farm

__all__ = ["farm"]

pytestmark = pytest.mark.whole


async def test_killed_at_random_moments_nothing_acknowledged_is_lost() -> None:
    """Nine times here; a hundred times by ``tests.bench.survive``, with the figures in DEVELOPERS.md.

    A message may go twice where the kill falls between its sending and the mark that it was sent: at least once is
    what can be had of a carrier that keeps no ids (RFC 5321, section 4.5.4.1: the sender retries).
    """
    seen = await killed(9, 7)
    assert seen["acknowledged"] > 0
    assert seen["acts"] > 0
    assert seen["messages"] > 0
    assert (seen["missing"], seen["kept_twice"]) == (0, 0)
    assert (seen["acts_missing"], seen["acts_twice"]) == (0, 0)
    assert (seen["messages_lost"], seen["messages_of_no_id"]) == (0, 0)
    assert seen["sent_twice"] <= 1


async def test_a_daemon_that_acknowledges_before_it_writes_is_found_out() -> None:
    """Else the test above would pass whatever the daemon does."""
    seen = await killed(1, 7, Hasty)
    assert seen["acknowledged"] > 0
    assert seen["missing"] > 0


class Babble(asyncio.DatagramProtocol):
    """An agent that answers each question with noise, and with a lot of it."""

    asked = 0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.DatagramTransport)
        self._transport = transport

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        self.asked += 1
        for noise in (os.urandom(200), b"", data, data[:-1], b"\x30\x82\xff\xff" + os.urandom(60_000)):
            self._transport.sendto(noise, addr)


async def test_one_device_that_talks_nonsense_for_ever_troubles_nobody_else(farm: Farm, tmp_path: Path) -> None:
    loop = asyncio.get_running_loop()
    transport, babble = await loop.create_datagram_endpoint(Babble, local_addr=("127.0.0.1", 0))
    port = transport.get_extra_info("sockname")[1]
    data = farm.site.plan.model_dump(mode="json", by_alias=True, exclude_none=True)
    mad = next(pole for pole in data["poles"] if pole["name"] == "woolshed")
    mad["switch"] |= {"address": "127.0.0.1", "port": port}
    (tmp_path / "mad").mkdir()
    farm.settings = lay_out(tmp_path / "mad", Plan.model_validate(data), "farm-word", 9, None)
    daemon = await farm.daemon()
    await farm.until(partial(noticed, farm), 60)
    farm.breaks("feeder-open", "yards")
    await farm.until(partial(told, farm, "yards pole-silent"), 30)
    assert babble.asked > 5
    transport.close()
    daemon.terminate()
    _, err = await daemon.communicate()
    assert b"Traceback" not in err, err.decode()


async def noticed(farm: Farm) -> bool:
    """Something is said of the device that is mad, and its pole is not taken for dead: its cameras answer."""
    standing = await farm.standing()
    mad = [key for key in standing if key.startswith("woolshed/switch ")]
    return bool(mad) and "woolshed pole-silent" not in standing


async def test_asleep_for_a_while_and_half_of_the_poles_silent(farm: Farm) -> None:
    """A box that was held still goes on where it was; those that are silent take no time from those that are not."""
    daemon = await farm.daemon("off", asyncio.subprocess.DEVNULL)
    await farm.until(partial(up, farm))
    await asyncio.sleep(5)
    daemon.send_signal(signal.SIGSTOP)
    await asyncio.sleep(12)  # four rounds of each kind
    daemon.send_signal(signal.SIGCONT)
    await asyncio.sleep(6)
    assert not any(key.endswith("pole-silent") for key in await farm.standing())
    for pole in ("woolshed", "yards"):
        farm.breaks("feeder-open", pole)
        await farm.until(partial(told, farm, f"{pole} pole-silent"), 30)
    farm.breaks("camera-hung", "creek")
    await farm.until(partial(told, farm, "creek/load/creek-gate-camera load-silent"), 30)
    assert "creek pole-silent" not in await farm.standing()


async def told(farm: Farm, alarm: str) -> bool:
    return alarm in await farm.standing()


async def test_without_a_network_it_starts_and_says_that_all_is_silent(tmp_path: Path, tarrow: Plan) -> None:
    """No interface but loopback, no name server: as after a lightning night."""
    if os.geteuid() != 0:
        pytest.skip("needs root, for a network of its own")
    settings = lay_out(tmp_path, tarrow, "farm-word", 9, None)
    words = ["--plan", settings.plan_file, "--data", settings.data, "--secrets", settings.secrets_file, "--page", "off"]
    run = ["unshare", "--net", *Farm(None, settings).command("run", *map(str, words))]  # type: ignore[arg-type]  # no site
    daemon = await asyncio.create_subprocess_exec(*run, stderr=asyncio.subprocess.PIPE)
    lost = Farm(None, settings)  # type: ignore[arg-type]  # no site
    await lost.until(partial(alone, lost), 60)
    daemon.terminate()
    _, err = await daemon.communicate()
    assert daemon.returncode == 0
    assert b"Traceback" not in err, err.decode()


async def alone(farm: Farm) -> bool:
    """One alarm of what is near, and none that would send anybody to a pole."""
    standing = await farm.standing()
    assert not [key for key in standing if key.endswith("pole-silent")]
    return "office head-end-silent" in standing


def test_the_command_is_there_at_once() -> None:
    """``farpole --help`` within 0.3 s on the reference machine; here only that it loads nothing heavy."""

    heavy = "{'numpy', 'smtplib', 'fastapi'} & set(sys.modules)"
    code = f"import sys; import monitor.cli.main as m; m.parser(); print(sorted({heavy}))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
