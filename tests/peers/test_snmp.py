"""Both ways of asking SNMP agents pass the same tests against a real snmpd on loopback: v1, v2c, v3, refusals."""

import asyncio
import json
import os
import shutil
import socket
import subprocess
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from monitor.cli.main import main
from monitor.devices.ask.snmp import Agent, Asker, Community, Outcome, Pdu, User, get, walk
from monitor.devices.ask.snmp_any import AnyAsker
from monitor.devices.ask.snmp_fast import FastAsker
from monitor.devices.ask.snmp_pysnmp import PysnmpAsker
from monitor.devices.ask.snmp_read import read_integer
from monitor.devices.ask.snmp_round import fetch, shape
from monitor.devices.ask.snmp_set import NotSet, set_integer
from monitor.devices.decode.interfaces import IF_DESCR, SYS_NAME, SYS_UPTIME
from monitor.devices.decode.raw import Missing, Oid
from tests.peers.snmpd import Snmpd

pytestmark = pytest.mark.peer

GOOD = User("mon", "authpass12", "privpass12", "sha-256", "aes-128")
UPTIME = Pdu("get", (SYS_UPTIME,))


@pytest.fixture(params=[FastAsker, PysnmpAsker])
async def asker(request: pytest.FixtureRequest) -> AsyncIterator[Asker]:
    made = request.param()
    yield made
    made.close()
    await asyncio.sleep(0.05)


@pytest.fixture
async def fast() -> AsyncIterator[FastAsker]:
    made = FastAsker()
    yield made
    made.close()


def agent(snmpd: Snmpd, credentials: Community | User) -> Agent:
    return Agent("127.0.0.1", snmpd.port, credentials, 1.0, 0)


CREDENTIALS = [
    Community("farm-ro"),
    Community("farm-ro", 1),
    GOOD,
    User("five", "authpass12", "privpass12", "sha-512", "aes-256"),
    User("one", "authpass12", "privpass12", "sha-1", "aes-128"),
    User("middle", "authpass12", "privpass12", "sha-384", "aes-192"),
]
IDS = ["v2c", "v1", "sha-256 aes-128", "sha-512 aes-256", "sha-1 aes-128", "sha-384 aes-192"]
LACKING = (1, 3, 6, 1, 2, 1, 1, 99, 0)


@pytest.mark.parametrize("credentials", CREDENTIALS, ids=IDS)
async def test_get_and_walk(snmpd: Snmpd, asker: Asker, credentials: Community | User) -> None:
    answer = await get(asker, agent(snmpd, credentials), [SYS_NAME, SYS_UPTIME, LACKING])
    assert answer.outcome is Outcome.OK, answer
    assert answer.objects[SYS_NAME] == b"bench"
    assert isinstance(answer.objects[SYS_UPTIME], int)
    assert isinstance(answer.objects[LACKING], Missing)
    table = await walk(asker, agent(snmpd, credentials), [IF_DESCR])
    assert b"lo" in table.objects.values()


def _listed(port: int) -> str:
    words = ["snmpwalk", "-v2c", "-c", "farm-ro", "-m", "", "-On", "-Oq", f"127.0.0.1:{port}", "1.3.6.1.2.1.2.2.1"]
    environment = {**os.environ, "MIBS": ""}
    return subprocess.run(words, env=environment, capture_output=True, text=True, check=True).stdout


@pytest.mark.parametrize("credentials", CREDENTIALS, ids=IDS)
async def test_a_round_by_slots(snmpd: Snmpd, asker: Asker, credentials: Community | User) -> None:
    """What a round brings equals what snmpd's own client reads."""
    listed = await asyncio.to_thread(_listed, snmpd.port)
    static = {line.split(" ")[0].strip("."): line.split(" ", 1)[1] for line in listed.splitlines()}
    entry = (1, 3, 6, 1, 2, 1, 2, 2, 1)
    rows: list[Oid] = [(int(name.split(".")[-1]),) for name in static if name.startswith("1.3.6.1.2.1.2.2.1.1.")]
    oids = [(*entry, column, *row) for column in (1, 3, 4, 8) for row in rows]
    known: dict[Oid, list[Oid]] = {} if credentials == Community("farm-ro", 1) else {entry: rows}
    came = await fetch(asker, agent(snmpd, credentials), shape([*oids, SYS_UPTIME, LACKING], known))
    assert came.outcome is Outcome.OK, came
    assert [str(raw) for raw in came.values[: len(oids)]] == [static[".".join(map(str, oid))] for oid in oids]
    assert isinstance(came.values[len(oids)], int)
    assert isinstance(came.values[len(oids) + 1], Missing)


async def test_a_key_longer_than_its_digest_is_stretched_in_the_way_that_works(snmpd: Snmpd, fast: FastAsker) -> None:
    """snmpd stretches by the draft of Blumenthal; where the first way tried is the other one, it is found."""
    user = User("stretched", "authpass12", "privpass12", "sha-1", "aes-256")
    assert (await fast.ask(agent(snmpd, user), UPTIME)).outcome is Outcome.OK
    engine = fast.engines["127.0.0.1", snmpd.port, user]
    engine.other_way()
    assert (await fast.ask(agent(snmpd, user), UPTIME)).outcome is Outcome.OK
    assert engine.way == 0


async def test_a_user_with_md5_and_des_is_asked_all_the_same(snmpd: Snmpd) -> None:
    asker = AnyAsker()
    answer = await asker.ask(agent(snmpd, User("old", "authpass12", "privpass12", "md5", "des")), UPTIME)
    asker.close()
    await asyncio.sleep(0.05)
    assert answer.outcome is Outcome.OK, answer


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
    snmpd: Snmpd, asker: Asker, credentials: Community | User, said: str
) -> None:
    answer = await asker.ask(agent(snmpd, credentials), UPTIME)
    assert answer.outcome is Outcome.REFUSED, answer
    assert said in answer.detail
    good = await asker.ask(agent(snmpd, GOOD), UPTIME)
    assert good.outcome is Outcome.OK, "wrong credentials must not spoil good ones"


async def test_no_agent_and_a_closed_port_are_silence(snmpd: Snmpd, asker: Asker) -> None:
    snmpd.stop()
    answer = await asker.ask(agent(snmpd, GOOD), UPTIME)
    assert (answer.outcome, answer.detail) == (Outcome.SILENT, "port closed: nothing listens there")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as deaf:
        deaf.bind(("127.0.0.1", 0))
        nobody = Agent("127.0.0.1", deaf.getsockname()[1], GOOD, 0.5, 0)
        assert (await asker.ask(nobody, UPTIME)).outcome is Outcome.SILENT


async def test_an_agent_that_restarts_and_one_with_another_engine_id_are_heard_again(
    snmpd: Snmpd, asker: Asker
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


async def test_garbage_is_undecodable_not_silent(asker: Asker) -> None:
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


def test_farpole_ask_reads_everything_that_snmpd_has(
    snmpd: Snmpd, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By v2c and by v3 from a secrets file; the recording decodes to the same without the network."""
    secrets, record = tmp_path / "secrets.yaml", tmp_path / "one.rec"
    secrets.write_text(
        "secrets:\n  switches: {kind: snmpv3, user: mon, auth_password: authpass12, priv_password: privpass12}\n"
    )
    secrets.chmod(0o600)
    where = f"127.0.0.1:{snmpd.port}"
    given = ["ask", where, "--credentials", "switches", "--secrets", str(secrets), "--record", str(record), "--json"]
    assert main(given) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["known"] + document["raw"] + document["garbled"] == document["received"] > 300
    assert document["garbled"] == 0
    assert any(one["name"] == "sysName" and one["value"] == "bench" for one in document["objects"])
    assert "privpass12" not in record.read_text()
    assert main(["ask", "--replay", str(record), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["objects"] == document["objects"]
    assert main(["ask", where, "--community", "wrong"]) == 1
    assert "does not know this community" in capsys.readouterr().err


AUTHEN_TRAPS: Oid = (1, 3, 6, 1, 2, 1, 11, 30, 0)
"""snmpEnableAuthenTraps of RFC 3418: an integer that may be written, enabled(1) or disabled(2)."""


@pytest.mark.parametrize("writing", [Community("farm-rw"), User("hand", "authpass12", "privpass12")])
async def test_an_object_is_set_and_read_back(snmpd: Snmpd, fast: FastAsker, writing: Community | User) -> None:
    to = agent(snmpd, writing)
    for value in (1, 2):
        await set_integer(to, AUTHEN_TRAPS, value)
        assert await read_integer(fast, to, AUTHEN_TRAPS) == value


@pytest.mark.parametrize(
    ("credentials", "oid"),
    [(Community("farm-ro"), AUTHEN_TRAPS), (GOOD, AUTHEN_TRAPS), (Community("farm-rw"), SYS_UPTIME)],
)
async def test_what_may_not_be_written_is_said(snmpd: Snmpd, credentials: Community | User, oid: Oid) -> None:
    with pytest.raises(NotSet):
        await set_integer(agent(snmpd, credentials), oid, 1)


async def test_nobody_there_is_not_set() -> None:
    with pytest.raises(NotSet):
        await set_integer(Agent("127.0.0.1", 9, Community("farm-rw"), 0.2, 0), AUTHEN_TRAPS, 1)
