"""pysnmp's side of the interface against a real snmpd on loopback: v2c and v3, and what is told apart."""

import asyncio
import os
import shutil
import socket
import subprocess
import time
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from monitor.devices.ask.snmp import Agent, Community, Outcome, Pdu, User, get, walk
from monitor.devices.ask.snmp_pysnmp import PysnmpAsker
from monitor.devices.decode.interfaces import IF_DESCR, SYS_NAME, SYS_UPTIME
from monitor.devices.decode.raw import Missing
from tests.conftest import need_peers

pytestmark = pytest.mark.peer

CONF = """agentAddress udp:127.0.0.1:{port}
sysName bench
engineID {engine}
rocommunity farm-ro
createUser mon SHA-256 authpass12 AES privpass12
rouser mon authpriv
createUser low SHA-256 authpass12
rouser low auth
createUser five SHA-512 authpass12 AES-256 privpass12
rouser five authpriv
"""
SYS_UPTIME_V2C = "302702010104076661726d2d726fa019020101020100020100300e300c06082b060102010103000500"
"""GET sysUpTime.0 with community farm-ro, version 2c."""
GOOD = User("mon", "authpass12", "privpass12", "sha-256", "aes-128")
UPTIME = Pdu("get", (SYS_UPTIME,))


@dataclass
class Snmpd:
    folder: Path
    port: int
    process: subprocess.Popen[bytes] | None = None

    def start(self, engine: str = "farpole-bench") -> None:
        var = self.folder / "var"
        var.mkdir(exist_ok=True)
        (self.folder / "snmpd.conf").write_text(CONF.format(port=self.port, engine=engine))
        environment = {**os.environ, "MIBS": "", "SNMP_PERSISTENT_DIR": str(var), "HOME": str(self.folder)}
        words = [
            "/usr/sbin/snmpd",
            "-m",
            "",
            "-f",
            "-Lf",
            str(self.folder / "log"),
            "-C",
            "-c",
            f"{self.folder}/snmpd.conf,{var}/snmpd.conf",
            "-p",
            str(self.folder / "pid"),
        ]
        self.process = subprocess.Popen(words, env=environment)
        for _ in range(50):
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
                probe.connect(("127.0.0.1", self.port))
                probe.settimeout(0.2)
                try:
                    probe.send(bytes.fromhex(SYS_UPTIME_V2C))
                    probe.recv(100)
                    return
                except OSError:
                    time.sleep(0.1)
        raise AssertionError(f"snmpd does not answer: {(self.folder / 'log').read_text()}")

    def stop(self) -> None:
        if self.process:
            self.process.terminate()
            self.process.wait(10)


@pytest.fixture
def snmpd(tmp_path: Path) -> Iterator[Snmpd]:
    need_peers("snmpd")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    made = Snmpd(tmp_path, port)
    try:
        made.start()
        yield made
    finally:
        made.stop()


@pytest.fixture
async def asker() -> AsyncIterator[PysnmpAsker]:
    made = PysnmpAsker()
    yield made
    made.close()
    await asyncio.sleep(0.05)


def agent(snmpd: Snmpd, credentials: Community | User) -> Agent:
    return Agent("127.0.0.1", snmpd.port, credentials, 1.0, 0)


@pytest.mark.parametrize(
    "credentials", [Community("farm-ro"), GOOD, User("five", "authpass12", "privpass12", "sha-512", "aes-256")]
)
async def test_get_and_walk(snmpd: Snmpd, asker: PysnmpAsker, credentials: Community | User) -> None:
    answer = await get(asker, agent(snmpd, credentials), [SYS_NAME, SYS_UPTIME, (1, 3, 6, 1, 2, 1, 1, 99, 0)])
    assert answer.outcome is Outcome.OK, answer
    assert answer.objects[SYS_NAME] == b"bench"
    assert isinstance(answer.objects[SYS_UPTIME], int)
    assert isinstance(answer.objects[1, 3, 6, 1, 2, 1, 1, 99, 0], Missing)
    table = await walk(asker, agent(snmpd, credentials), [IF_DESCR])
    assert b"lo" in table.objects.values()


REFUSED = [
    ("wrong community", Community("another"), "community"),
    ("wrong user", User("nobody", "authpass12", "privpass12"), "unknown user"),
    ("wrong authentication password", User("mon", "wrongpass12", "privpass12"), "wrong authentication password"),
    (
        "wrong authentication protocol",
        User("mon", "authpass12", "privpass12", "sha-1"),
        "wrong authentication password",
    ),
    ("wrong privacy password", User("mon", "authpass12", "wrongpass12"), "wrong privacy password"),
    ("wrong level", User("low", "authpass12", "privpass12"), "security level"),
]


@pytest.mark.parametrize(("credentials", "said"), [r[1:] for r in REFUSED], ids=[r[0] for r in REFUSED])
async def test_refusals_are_told_apart_and_are_no_silence(
    snmpd: Snmpd, asker: PysnmpAsker, credentials: Community | User, said: str
) -> None:
    answer = await asker.ask(agent(snmpd, credentials), UPTIME)
    assert answer.outcome is Outcome.REFUSED, answer
    assert said in answer.detail
    good = await asker.ask(agent(snmpd, GOOD), UPTIME)
    assert good.outcome is Outcome.OK, "wrong credentials must not spoil good ones"


async def test_no_agent_and_a_closed_port_are_silence(snmpd: Snmpd, asker: PysnmpAsker) -> None:
    snmpd.stop()
    answer = await asker.ask(agent(snmpd, GOOD), UPTIME)
    assert (answer.outcome, answer.detail) == (Outcome.SILENT, "port closed: nothing listens there")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as deaf:
        deaf.bind(("127.0.0.1", 0))
        nobody = Agent("127.0.0.1", deaf.getsockname()[1], GOOD, 0.5, 0)
        assert (await asker.ask(nobody, UPTIME)).outcome is Outcome.SILENT


async def test_an_agent_that_restarts_and_one_with_another_engine_id_are_heard_again(
    snmpd: Snmpd, asker: PysnmpAsker
) -> None:
    asked = Agent("127.0.0.1", snmpd.port, GOOD, 1.0, 1)
    assert (await asker.ask(asked, UPTIME)).outcome is Outcome.OK
    snmpd.stop()
    snmpd.start()
    assert (await asker.ask(asked, UPTIME)).outcome is Outcome.OK
    snmpd.stop()
    shutil.rmtree(snmpd.folder / "var")
    snmpd.start(engine="another-engine")
    assert (await asker.ask(asked, UPTIME)).outcome is Outcome.OK


async def test_garbage_is_undecodable_not_silent(asker: PysnmpAsker) -> None:
    class Garbage(asyncio.DatagramProtocol):
        def connection_made(self, transport: asyncio.BaseTransport) -> None:
            self.transport = transport

        def datagram_received(self, data: bytes, addr: object) -> None:
            self.transport.sendto(b"\x30\x03not asn.1", addr)  # type: ignore[attr-defined]  # a datagram transport

    loop = asyncio.get_running_loop()
    transport, _ = await loop.create_datagram_endpoint(Garbage, local_addr=("127.0.0.1", 0))
    port = transport.get_extra_info("sockname")[1]
    answer = await asker.ask(Agent("127.0.0.1", port, Community("x"), 0.5, 0), UPTIME)
    transport.close()
    assert answer.outcome is Outcome.UNDECODABLE
    assert answer.objects == {}
