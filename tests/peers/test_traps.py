"""The receiver against snmptrap and snmpinform of the reference implementation, over loopback."""

import asyncio
import os
import socket
import subprocess
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from monitor.daemon.trapping import own_engine
from monitor.devices.ask.snmp import Community, User
from monitor.devices.ask.snmp_traps import Notification, TrapReceiver
from monitor.devices.decode.traps import Notice, hint
from tests.conftest import need_peers

pytestmark = pytest.mark.peer

USER = User("mon", "authpass12", "privpass12", "sha-256", "aes-128")
SENDER_ENGINE = "8000000001020304"
LINK = ["1.3.6.1.6.3.1.1.5.3", "1.3.6.1.2.1.2.2.1.1.7", "i", "7"]
V2C = ["-v2c", "-c", "farm-ro"]
V3 = ["-v3", "-l", "authPriv", "-u", "mon", "-a", "SHA-256", "-A", "authpass12", "-x", "AES", "-X", "privpass12"]


class Ear:
    """A receiver and what it heard."""

    def __init__(self, data: Path, port: int = 0) -> None:
        self.heard: list[Notification] = []
        self.engine = own_engine(data)
        self.receiver = TrapReceiver("127.0.0.1", port, self.engine, [Community("farm-ro"), USER], self.heard.append)

    async def hears(self, count: int, for_s: float = 5.0) -> list[Notification]:
        for _ in range(int(for_s / 0.05)):
            if len(self.heard) >= count:
                break
            await asyncio.sleep(0.05)
        return self.heard


@pytest.fixture
async def ear(tmp_path: Path) -> AsyncIterator[Ear]:
    need_peers("snmptrap", "snmpinform")
    made = Ear(tmp_path)
    yield made
    await made.receiver.close()


async def send(ear: Ear, program: str, *words: str, home: Path) -> subprocess.CompletedProcess[str]:
    given = [program, "-m", "", *words, f"127.0.0.1:{ear.receiver.port}"]
    given += ["", *LINK] if "-v1" not in words else ["1.3.6.1.4.1.32473", "127.0.0.1", "2", "0", "", *LINK[1:]]
    environment = {**os.environ, "MIBS": "", "HOME": str(home), "SNMP_PERSISTENT_DIR": str(home)}
    return await asyncio.to_thread(
        subprocess.run, given, env=environment, capture_output=True, text=True, check=False, timeout=20
    )


@pytest.mark.parametrize("words", [["-v1", "-c", "farm-ro"], V2C], ids=["v1", "v2c"])
async def test_a_trap_without_security(ear: Ear, tmp_path: Path, words: list[str]) -> None:
    await send(ear, "snmptrap", *words, home=tmp_path)
    (note,) = await ear.hears(1)
    assert note.source == "127.0.0.1"
    assert not note.authentic
    said = hint(note.objects)
    assert (said.notice, said.words, said.if_index) == (Notice.LINK_DOWN, "link down", 7)


async def test_a_v3_trap_of_an_engine_that_polling_has_met(ear: Ear, tmp_path: Path) -> None:
    words = [*V3, "-e", SENDER_ENGINE]
    await send(ear, "snmptrap", *words, home=tmp_path)
    assert await ear.hears(1, 0.5) == []
    ear.receiver.know(bytes.fromhex(SENDER_ENGINE))
    await send(ear, "snmptrap", *words, home=tmp_path)
    (note,) = await ear.hears(1)
    assert note.authentic
    assert hint(note.objects).notice is Notice.LINK_DOWN


BELOW = {
    "authNoPriv": ["-v3", "-l", "authNoPriv", "-u", "mon", "-a", "SHA-256", "-A", "authpass12"],
    "noAuthNoPriv": ["-v3", "-l", "noAuthNoPriv", "-u", "mon"],
}


@pytest.mark.parametrize("level", BELOW)
async def test_a_user_of_authpriv_is_not_heard_below_it(ear: Ear, tmp_path: Path, level: str) -> None:
    ear.receiver.know(bytes.fromhex(SENDER_ENGINE))
    await send(ear, "snmptrap", *BELOW[level], "-e", SENDER_ENGINE, home=tmp_path)
    assert await ear.hears(1, 0.5) == []
    await send(ear, "snmptrap", *V3, "-e", SENDER_ENGINE, home=tmp_path)
    assert len(await ear.hears(1)) == 1


@pytest.mark.parametrize("words", [V2C, V3], ids=["v2c", "v3"])
async def test_an_inform_is_acknowledged(ear: Ear, tmp_path: Path, words: list[str]) -> None:
    done = await send(ear, "snmpinform", "-r", "0", "-t", "3", *words, home=tmp_path)
    assert done.returncode == 0, done.stderr
    (note,) = await ear.hears(1)
    assert note.authentic == (words is V3)


async def test_another_community_and_another_password_are_not_heard(ear: Ear, tmp_path: Path) -> None:
    await send(ear, "snmptrap", "-v2c", "-c", "wrong", home=tmp_path)
    wrong = ["wrongpass12" if word == "authpass12" else word for word in V3]
    done = await send(ear, "snmpinform", "-r", "0", "-t", "1", *wrong, home=tmp_path)
    assert done.returncode != 0
    assert await ear.hears(1, 0.5) == []


async def test_v3_informs_go_on_after_a_restart(tmp_path: Path) -> None:
    need_peers("snmpinform")
    first = Ear(tmp_path)
    port, (engine_id, boots) = first.receiver.port, first.engine
    assert (await send(first, "snmpinform", "-r", "0", "-t", "3", *V3, home=tmp_path)).returncode == 0
    await first.receiver.close()
    second = Ear(tmp_path, port)
    assert second.engine == (engine_id, boots + 1)
    done = await send(second, "snmpinform", "-r", "1", "-t", "3", *V3, home=tmp_path)
    assert done.returncode == 0, done.stderr
    assert len(await second.hears(1)) == 1
    await second.receiver.close()


async def test_a_burst_and_junk_stop_nothing(ear: Ear, tmp_path: Path) -> None:
    """A thousand at once and junk between them; the next one is heard all the same."""
    one = await _recorded(tmp_path)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.connect(("127.0.0.1", ear.receiver.port))
        for i in range(1000):
            sender.send(one)
            sender.send(os.urandom(i % 300 + 1) if i % 2 else one[: i % len(one)])
    heard = len(await ear.hears(1000, 25.0))
    assert heard > 500, heard  # what the kernel's buffer could not hold is lost, and nothing else
    ear.heard.clear()
    await send(ear, "snmptrap", *V2C, home=tmp_path)
    assert await ear.hears(1)


async def _recorded(home: Path) -> bytes:
    """A v2c trap as snmptrap writes it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as caught:
        caught.bind(("127.0.0.1", 0))
        caught.settimeout(5)
        where = f"127.0.0.1:{caught.getsockname()[1]}"
        words = ["snmptrap", "-m", "", *V2C, where, "", *LINK]
        await asyncio.to_thread(subprocess.run, words, env={**os.environ, "MIBS": "", "HOME": str(home)}, check=True)
        return caught.recv(2000)
