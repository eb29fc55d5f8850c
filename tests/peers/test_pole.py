"""The daemon against what no one here wrote: snmpd and lldpd in network namespaces, mail over real SMTP.

A head-end and a pole, joined by a veth pair that stands for the fibre. The pole is a kernel bridge with a
camera behind it. The fibre goes down: alarm, cause and mail arrive. It comes back: the alarm clears, and the
uptime that ran on says that it was the path. Then the same with the pole's agent alone, and with a wrong
community.
"""

import asyncio
import email
import email.policy
import json
import os
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML

from tests.conftest import need_peers

pytestmark = pytest.mark.peer

HEAD, POLE, CAMERA = "farpole-head", "farpole-pole", "farpole-cam"
# 198.18.0.0/15 is set aside for tests of network devices: RFC 2544.
HEAD_IP, POLE_IP, CAMERA_IP = "198.18.7.1", "198.18.7.11", "198.18.7.21"
SNMPD = """agentAddress udp:{ip}:161
sysName {name}
rocommunity {community} 198.18.0.0/15
engineID farpole-{name}
createUser mon SHA-256 authpass12 AES privpass12
rouser mon authpriv
master agentx
agentXSocket {folder}/agentx
agentXPerms 0777 0777
createUser agentint SHA authpass12 AES
rouser agentint
iquerySecName agentint
trap2sink 198.18.7.1:1162 farm-ro
notificationEvent linkUpTrap .1.3.6.1.6.3.1.1.5.4 -o .1.3.6.1.2.1.2.2.1.1 -o .1.3.6.1.2.1.2.2.1.8
notificationEvent linkDownTrap .1.3.6.1.6.3.1.1.5.3 -o .1.3.6.1.2.1.2.2.1.1 -o .1.3.6.1.2.1.2.2.1.8
monitor -r 2 -e linkUpTrap LinkUp .1.3.6.1.2.1.2.2.1.8 != 2
monitor -r 2 -e linkDownTrap LinkDown .1.3.6.1.2.1.2.2.1.8 == 2
"""
"""snmpd watches its own links every two seconds and sends linkDown and linkUp to the head-end."""


def sh(*words: str) -> str:
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout


def inside(namespace: str, *words: str) -> list[str]:
    return ["ip", "netns", "exec", namespace, *words]


@dataclass
class Site:
    folder: Path
    running: list[subprocess.Popen[bytes]]

    def snmpd(self, namespace: str, name: str, ip: str, community: str = "farm-ro") -> subprocess.Popen[bytes]:
        folder = self.folder / name
        (folder / "var").mkdir(parents=True, exist_ok=True)
        (folder / "snmpd.conf").write_text(SNMPD.format(ip=ip, name=name, community=community, folder=folder))
        environment = {**os.environ, "MIBS": "", "SNMP_PERSISTENT_DIR": str(folder / "var"), "HOME": str(folder)}
        words = ["/usr/sbin/snmpd", "-m", "", "-f", "-Lf", str(folder / "log"), "-C", "-c", str(folder / "snmpd.conf")]
        started = subprocess.Popen(inside(namespace, *words), env=environment)
        self.running.append(started)
        return started

    def lldpd(self, namespace: str, name: str) -> None:
        folder = self.folder / name
        words = f"mount -t tmpfs none /run; mkdir -p /run/lldpd; exec /usr/sbin/lldpd -d -x -X {folder}/agentx"
        log = (folder / "lldpd.log").open("w")
        self.running.append(subprocess.Popen(inside(namespace, "sh", "-c", words), stdout=log, stderr=log))

    def listener(self, namespace: str, ip: str, port: int) -> None:
        words = [sys.executable, "-m", "http.server", str(port), "--bind", ip, "--directory", str(self.folder / "www")]
        (self.folder / "www").mkdir(exist_ok=True)
        quiet = subprocess.DEVNULL
        self.running.append(subprocess.Popen(inside(namespace, *words), stdout=quiet, stderr=quiet))

    def mailbox(self) -> subprocess.Popen[bytes]:
        words = [
            sys.executable,
            str(Path(__file__).parent / "postbox.py"),
            "127.0.0.1",
            "2525",
            str(self.folder / "mail"),
        ]
        started = subprocess.Popen(inside(HEAD, *words))
        self.running.append(started)
        return started

    def letters(self) -> list[str]:
        return [file.read_text() for file in sorted((self.folder / "mail").glob("*.txt"))]


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    need_peers("snmpd", "lldpd", "ip", root=True)
    made = Site(tmp_path, [])
    try:
        for name in (HEAD, POLE, CAMERA):
            sh("ip", "netns", "add", name)
            sh("ip", "-n", name, "link", "set", "lo", "up")
        sh("ip", "link", "add", "port9", "netns", HEAD, "type", "veth", "peer", "name", "port5", "netns", POLE)
        sh("ip", "link", "add", "eth0", "netns", CAMERA, "type", "veth", "peer", "name", "port1", "netns", POLE)
        sh("ip", "-n", POLE, "link", "add", "br0", "type", "bridge", "forward_delay", "200")
        for port in ("port5", "port1"):
            sh("ip", "-n", POLE, "link", "set", port, "master", "br0", "up")
        sh("ip", "-n", POLE, "link", "set", "br0", "up")
        for namespace, ip, link in ((HEAD, HEAD_IP, "port9"), (POLE, POLE_IP, "br0"), (CAMERA, CAMERA_IP, "eth0")):
            sh("ip", "-n", namespace, "link", "set", link, "up")
            sh("ip", "-n", namespace, "addr", "add", f"{ip}/24", "dev", link)
        made.snmpd(HEAD, "head", HEAD_IP)
        made.snmpd(POLE, "pole", POLE_IP)
        made.lldpd(POLE, "pole")
        made.listener(CAMERA, CAMERA_IP, 554)
        made.mailbox()
        yield made
    finally:
        for process in made.running:
            process.terminate()
        for process in made.running:
            process.wait(10)
        for name in (HEAD, POLE, CAMERA):
            subprocess.run(["ip", "netns", "del", name], check=False, capture_output=True)


PLAN: dict[str, Any] = {
    "site": {"name": "Bench", "latitude": -36, "longitude": 148, "timezone": "Australia/Sydney", "coldest_c": -9,
             "hottest_c": 44},
    "credentials": {"switches": {"kind": "snmpv2c", "secret": "switches"}},
    "supplies": [{"name": "bench", "kind": "mains", "volts": 54, "limit_watts": 240}],
    "headend": {
        "name": "head",
        "switch": {"address": HEAD_IP, "datasheet": "standard-mibs", "credentials": "switches"},
    },
    "poles": [{
        "name": "creek", "access": "Key 4",
        "switch": {"address": POLE_IP, "datasheet": "outdoor-poe-5", "credentials": "switches", "minimum_volts": 44,
                   "maximum_volts": 57, "own_watts": 6, "poe_budget_watts": 60, "poe_input": "boost"},
        "fibre": {"from": {"port": "9", "optic": "1000base-bx10-d"}, "to": {"port": "5", "optic": "1000base-bx10-u"},
                  "type": "OS2", "length_m": 640, "connectors": 4, "splices": 0},
        "feeder": {"supply": "bench", "conductor_mm2": 10, "length_m": 640},
        "loads": [{"name": "gate-camera", "kind": "camera", "port": "1", "address": CAMERA_IP, "poe_class": 3,
                   "watts": 5, "cable_m": 8, "reach": ["icmp", "tcp"]}],
    }],
    "callouts": [{"name": "owner", "to": "owner-mail", "severities": ["critical", "major", "minor"]}],
    "rounds": {"reach_s": 2, "measure_s": 5, "hold_s": 1},
}  # fmt: skip


class Farpole:
    """The daemon at the head-end, as a process in its namespace."""

    def __init__(self, site: Site) -> None:
        self.site, self.data = site, site.folder / "data"

    async def start(
        self, community: str = "farm-ro", switches: dict[str, str] | None = None, reach_s: float = 2
    ) -> None:
        plan, secrets = self.site.folder / "plan.yaml", self.site.folder / "secrets.yaml"
        kind = (switches or {"kind": "snmpv2c"})["kind"]
        with plan.open("w") as file:
            changed = {"rounds": PLAN["rounds"] | {"reach_s": reach_s}}
            credentials = {"switches": {"kind": kind, "secret": "switches"}}
            YAML(typ="safe").dump({**PLAN, **changed, "credentials": credentials}, file)
        secrets.touch(0o600)
        with secrets.open("w") as file:
            mail = {"kind": "mail", "server": "127.0.0.1", "port": 2525, "security": "none",
                    "sender": "farpole@bench.example", "to": ["owner@bench.example"]}  # fmt: skip
            access = switches or {"kind": "snmpv2c", "community": community}
            YAML(typ="safe").dump({"secrets": {"switches": access, "owner-mail": mail}}, file)
        self.process = await asyncio.create_subprocess_exec(
            *inside(HEAD, sys.executable, "-m", "monitor", "run", "--plan", str(plan), "--data", str(self.data),
                    "--secrets", str(secrets), "--page", "off"))  # fmt: skip

    async def ask(self, *words: str) -> tuple[int, str]:
        command = [sys.executable, "-m", "monitor", *words, "--data", str(self.data)]
        process = await asyncio.create_subprocess_exec(*command, stdout=asyncio.subprocess.PIPE,
                                                       stderr=asyncio.subprocess.DEVNULL)  # fmt: skip
        out, _ = await process.communicate()
        return process.returncode or 0, out.decode()

    async def standing(self) -> dict[str, dict[str, Any]]:
        status, out = await self.ask("alarms", "--json")
        found = json.loads(out) if status == 0 and out else []
        return {f"{a['resource']} {a['type']}": a for a in found if not a["cleared"]}

    async def stands(self, alarm: str, seconds: int = 40) -> dict[str, Any]:
        for _ in range(seconds * 2):
            found = await self.standing()
            if alarm in found:
                return found[alarm]
            await asyncio.sleep(0.5)
        raise AssertionError(f"{alarm} did not come within {seconds} s; standing: {await self.standing()}")

    async def quiet(self, seconds: int = 40) -> None:
        for _ in range(seconds * 2):
            status, out = await self.ask("status")
            if status == 0 and "creek: answers" in out and not await self.standing():
                return
            await asyncio.sleep(0.5)
        raise AssertionError(
            f"still standing after {seconds} s: {await self.standing()}\n{(await self.ask('status'))[1]}"
        )

    async def letter(self, words: str, seconds: int = 20) -> str:
        for _ in range(seconds * 2):
            for letter in self.site.letters():
                if words in letter or words in subject_of(letter):
                    return letter
            await asyncio.sleep(0.5)
        raise AssertionError(f"no letter with {words!r} within {seconds} s: {self.site.letters()}")


@pytest.fixture
async def farpole(site: Site) -> AsyncIterator[Farpole]:
    made = Farpole(site)
    yield made
    if hasattr(made, "process") and made.process.returncode is None:
        made.process.terminate()
        assert await asyncio.wait_for(made.process.wait(), 5) == 0


def subject_of(letter: str) -> str:
    """What stands in the subject of a letter as it went over the line (RFC 2047)."""
    return str(email.message_from_string(letter, policy=email.policy.default)["Subject"])


async def test_the_fibre_goes_down_and_comes_back(site: Site, farpole: Farpole) -> None:
    await farpole.start()
    await farpole.quiet()
    await asyncio.sleep(5)
    _, status = await farpole.ask("status", "--json")
    camera = json.loads(status)["poles"][0]["loads"][0]
    assert camera["layers"]["connection"] == "open"
    assert "ms" in camera["layers"]["ping"], "ping is permitted here and must be asked"

    sh("ip", "-n", HEAD, "link", "set", "port9", "down")
    alarm = await farpole.stands("creek pole-silent")
    # No feeder meter on this bench: power and path cannot be told apart, and that is what must be said.
    assert alarm["cause"]["certainty"] == "cannot tell"
    # An agent that keeps its tables for some seconds says "up" at first, and that must not be believed.
    assert any("down" in line or "may be from before" in line for line in alarm["cause"]["evidence"])
    await asyncio.sleep(20)
    alarm = (await farpole.standing())["creek pole-silent"]
    assert (alarm["cause"]["certainty"], "down" in alarm["cause"]["evidence"][0]) == ("cannot tell", True)
    letter = await farpole.letter("Subject: Bench: creek silent")
    assert "Take along:" in letter
    assert "Access: Key 4" in letter

    sh("ip", "-n", HEAD, "link", "set", "port9", "up")
    await farpole.quiet()
    clear = await farpole.letter("creek silent – all clear")
    assert "it was the path: the switch ran on all the time" in clear.replace("=\n", "")


async def test_a_deaf_agent_is_not_a_silent_pole(site: Site, farpole: Farpole) -> None:
    await farpole.start()
    await farpole.quiet()
    agent = site.running[1]
    agent.terminate()
    agent.wait(10)
    await farpole.stands("creek/switch agent-silent")
    assert "creek pole-silent" not in await farpole.standing()
    site.snmpd(POLE, "pole", POLE_IP)
    await farpole.quiet(60)


async def test_a_wrong_community_is_credentials_refused_not_a_silent_pole(site: Site, farpole: Farpole) -> None:
    agent = site.running[1]
    agent.terminate()
    agent.wait(10)
    site.snmpd(POLE, "pole", POLE_IP, community="another-word")
    await farpole.start()
    alarm = await farpole.stands("creek/switch credentials-refused")
    assert "does not know" in alarm["text"] or "community" in alarm["text"]
    assert "creek pole-silent" not in await farpole.standing()


async def test_the_switchs_own_notification_brings_the_alarm_and_a_lost_one_is_made_up_for(
    site: Site, farpole: Farpole
) -> None:
    """The head-end switch sees its port go down and says so; the pole's own linkDown is lost with its uplink."""
    await farpole.start(reach_s=60)
    await farpole.quiet(90)
    await asyncio.sleep(3)
    cut_s = time.time()
    sh("ip", "-n", HEAD, "link", "set", "port9", "down")
    alarm = await farpole.stands("creek pole-silent", 30)
    # Two seconds until snmpd looks at its links, three from its notification to the alarm, one of slack.
    assert alarm["raised_s"] - cut_s <= 6.0
    sh("ip", "-n", HEAD, "link", "set", "port9", "up")
    await farpole.quiet(90)
