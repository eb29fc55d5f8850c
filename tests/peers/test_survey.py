"""The survey against real hosts in network namespaces: 120 of them with loss on the way, LLDP, discovery, a switch."""

import asyncio
import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import need_peers, need_python_peers

pytestmark = pytest.mark.peer

HERE, THERE = "farpole-survey", "farpole-hosts"
# 198.18.0.0/15 is set aside for tests of network devices: RFC 2544.
OURS = "198.18.4.1"
HOSTS = [f"198.18.{4 + i // 40}.{10 + i % 40}" for i in range(120)]
LOSS = """
table netdev lossy {
    chain in {
        type filter hook ingress device eth1 priority 0;
        ether type arp numgen random mod 100 < 19 drop
    }
}
"""
"""On the far side: 19 % of the requests stand for 10 % lost each way."""


def sh(*words: str, text: str | None = None) -> str:
    return subprocess.run(words, check=True, capture_output=True, text=True, input=text).stdout


@dataclass
class Net:
    folder: Path
    running: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def populate(self) -> None:
        """All of the hosts."""
        for host in HOSTS[1:]:
            sh("ip", "-n", THERE, "addr", "add", f"{host}/22", "dev", "eth1")

    def start(self, namespace: str, *words: str) -> subprocess.Popen[bytes]:
        log = (self.folder / f"log-{len(self.running)}").open("w")
        started = subprocess.Popen(["ip", "netns", "exec", namespace, *words], stdout=log, stderr=log)
        self.running.append(started)
        return started

    def sweep(self, networks: list[str], listen_s: float = 0.0) -> tuple[list[dict[str, Any]], float]:
        """Run the helper; what it found, and how long it took."""
        request = json.dumps({"interface": "eth0", "networks": networks, "listen_s": listen_s}) + "\n"
        began = time.monotonic()
        out = sh("ip", "netns", "exec", HERE, sys.executable, "-m", "monitor.devices.ask.sweep", text=request)
        return [json.loads(line) for line in out.splitlines()], time.monotonic() - began


@pytest.fixture
def net(tmp_path: Path) -> Iterator[Net]:
    need_peers("ip", "nft", "lldpd", root=True)
    made = Net(tmp_path)
    try:
        for name in (HERE, THERE):
            sh("ip", "netns", "add", name)
            sh("ip", "-n", name, "link", "set", "lo", "up")
        sh("ip", "link", "add", "eth0", "netns", HERE, "type", "veth", "peer", "name", "eth1", "netns", THERE)
        for name, link in ((HERE, "eth0"), (THERE, "eth1")):
            sh("ip", "-n", name, "link", "set", link, "up", "multicast", "on")
        sh("ip", "-n", HERE, "addr", "add", f"{OURS}/22", "dev", "eth0")
        sh("ip", "-n", THERE, "addr", "add", f"{HOSTS[0]}/22", "dev", "eth1")
        sh("ip", "-n", THERE, "route", "add", "224.0.0.0/4", "dev", "eth1")
        yield made
    finally:
        for process in made.running:
            process.terminate()
        for process in made.running:
            process.wait(10)
        for name in (HERE, THERE):
            subprocess.run(["ip", "netns", "del", name], check=False, capture_output=True)


def test_all_hosts_of_a_wide_network_are_found_through_loss(net: Net) -> None:
    """120 hosts in a /22, one in ten requests and one in ten answers lost; and no faster than 2,000 a second."""
    net.populate()
    sh("ip", "netns", "exec", THERE, "nft", "-f", "-", text=LOSS)
    seen: list[int] = []
    while len(seen) < 2 and (not seen or seen[-1] < len(HOSTS) - 1):
        found, took_s = net.sweep(["198.18.4.0/22"])
        addresses = {one["address"] for one in found if one["kind"] == "arp"}
        sent = next(one["sent"] for one in found if one["kind"] == "done")
        assert addresses <= set(HOSTS)
        assert sent / took_s <= 2000
        seen.append(len(addresses))
    # By chance 0.13 % of the hosts stay unseen after four tries at 19 % loss: one in seven sweeps misses one of 120,
    # one in ninety misses two, and then the next one does not.
    assert seen[-1] >= len(HOSTS) - 1, seen


def test_an_ordinary_network_takes_five_seconds_at_most(net: Net) -> None:
    net.populate()
    found, took_s = net.sweep(["198.18.4.0/24"])
    assert {one["address"] for one in found if one["kind"] == "arp"} == set(HOSTS[:40])
    assert took_s <= 5.0


def test_lldp_is_heard_from_a_real_daemon(net: Net) -> None:
    from monitor.devices.decode.frames import lldp

    words = "mount -t tmpfs none /run; mkdir -p /run/lldpd; /usr/sbin/lldpd -d & "
    words += "trap 'kill $!' TERM; sleep 2; "
    words += "lldpcli configure lldp tx-interval 1; wait"
    net.start(THERE, "sh", "-c", words)
    found, _ = net.sweep([], 8.0)
    heard = [lldp(bytes.fromhex(one["frame"])) for one in found if one["kind"] == "lldp"]
    assert heard
    assert heard[0].port or heard[0].chassis


async def discovered(net: Net, what: str) -> list[str]:
    """Names that our own questions bring back, asked from inside the namespace."""
    words = f"""
import asyncio
from monitor.devices.ask.multicast import mdns_query, ws_discovery_probe
from monitor.devices.decode import mdns, ws_discovery
from monitor.devices.decode.raw import Garbled

async def main():
    async for data, source in {what}("{OURS}", 4.0):
        try:
            print(source, mdns.answer(data) if "{what}" == "mdns_query" else ws_discovery.matches(data))
        except Garbled as garbled:
            print(source, "garbled", garbled)

asyncio.run(main())
"""
    given = ["ip", "netns", "exec", HERE, sys.executable, "-c", words]
    done = await asyncio.to_thread(subprocess.run, given, capture_output=True, text=True, check=True)
    return done.stdout.splitlines()


async def test_a_real_ws_discovery_host_answers(net: Net) -> None:
    need_peers("wsdd")
    net.start(THERE, "wsdd", "-4", "-i", "eth1", "-n", "NORTHGATE")
    await asyncio.sleep(2)
    said = await discovered(net, "ws_discovery_probe")
    assert any("Endpoint(reference=" in line and "garbled" not in line for line in said), said


async def test_a_publisher_of_cameras_answers(net: Net) -> None:
    """The PyPI package WSDiscovery as the camera's side."""
    need_python_peers("wsdiscovery")
    words = """
import time
from wsdiscovery import QName, Scope
from wsdiscovery.publishing import ThreadedWSPublishing
wsp = ThreadedWSPublishing()
wsp.start()
wsp.publishService(types=[QName("http://www.onvif.org/ver10/network/wsdl", "NetworkVideoTransmitter")],
                   scopes=[Scope("onvif://www.onvif.org/name/North%20Gate")],
                   xAddrs=["http://198.18.4.10/onvif/device_service"])
time.sleep(60)
"""
    net.start(THERE, sys.executable, "-c", words)
    await asyncio.sleep(3)
    said = await discovered(net, "ws_discovery_probe")
    assert any("NetworkVideoTransmitter" in line and "198.18.4.10" in line for line in said), said


async def test_avahi_answers_a_legacy_question(net: Net) -> None:
    need_peers("avahi-daemon")
    services = net.folder / "services"
    services.mkdir()
    (services / "gate.service").write_text(
        '<?xml version="1.0" standalone="no"?><!DOCTYPE service-group SYSTEM "avahi-service.dtd">'
        "<service-group><name>North Gate</name>"
        "<service><type>_rtsp._tcp</type><port>554</port></service></service-group>"
    )
    (net.folder / "avahi.conf").write_text("[server]\nhost-name=gate\nenable-dbus=no\nallow-interfaces=eth1\n")
    words = f"mount -t tmpfs none /run; mount --bind {services} /etc/avahi/services; "
    words += f"exec avahi-daemon --no-drop-root --no-rlimits --no-chroot -f {net.folder}/avahi.conf"
    net.start(THERE, "unshare", "-m", "sh", "-c", words)
    await asyncio.sleep(4)
    said = await discovered(net, "mdns_query")
    assert any("_rtsp._tcp" in line and "garbled" not in line for line in said), (
        said,
        *(log.read_text()[-400:] for log in net.folder.glob("log-*")),
    )


def test_a_survey_of_the_whole_site_from_the_command_line(net: Net, tarrow_text: str) -> None:
    """Without a switch that answers, the survey says so, sweeps what it may, and proposes a plan."""
    plan = net.folder / "plan.yaml"
    plan.write_text(tarrow_text.replace("10.20.0.0/22", "198.18.4.0/24").replace("10.20.1.11", "198.18.4.10"))
    secrets = net.folder / "secrets.yaml"
    secrets.write_text("secrets:\n  tarrow-switches: {kind: snmpv2c, community: farm}\n")
    secrets.chmod(0o600)
    words = ["-m", "monitor", "survey", "--plan", str(plan), "--yes", "--listen-s", "1", "--json"]
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    given = ["ip", "netns", "exec", HERE, sys.executable, *words]
    done = subprocess.run(given, capture_output=True, text=True, check=False, env=environment, timeout=120)
    assert done.returncode == 1, done.stderr
    assert "ARP requests to 198.18.4.0/24" in done.stderr
    document = json.loads(done.stdout)
    assert document["swept"]
    assert len(document["devices"]) == 1  # one hardware address stands behind all of the namespace's
    assert {one["kind"] for one in document["differences"]} >= {"missing"}
