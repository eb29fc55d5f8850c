"""What a stranger finds: no secret where it does not belong, no file that others may read, a page that bears greed."""

import asyncio
import json
import socket
import stat
import sys
from functools import partial
from pathlib import Path

import httpx
import pytest

from tests.bench.survive import up
from tests.peers.test_page import free_port
from tests.show.certificate import own_certificate
from tests.whole.conftest import Farm, farm

__all__ = ["farm"]

pytestmark = pytest.mark.whole
WORD = b"farm-word"
"""The community of every simulated switch; nothing else of the farm is called so."""


async def test_no_secret_stands_where_it_does_not_belong(farm: Farm, tmp_path: Path) -> None:
    port = free_port()
    daemon = await farm.daemon(f"127.0.0.1:{port}")
    await farm.until(partial(up, farm))
    await asyncio.sleep(4)
    farm.breaks("agent-deaf", "yards")
    await asyncio.sleep(4)
    seen = {"process": of_file(Path(f"/proc/{daemon.pid}/cmdline"))}
    async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}") as client:
        for path in ("/", "/plan", "/survey", "/alarms", "/pole/yards", "/metrics", "/api/picture", "/api/itself"):
            seen[path] = (await client.get(path)).content
    status, out, err = await farm.ask("backup", str(tmp_path / "farm.tar"))
    assert status == 0, err
    seen |= {"backup": of_file(tmp_path / "farm.tar"), "said": (out + err).encode()}
    seen["itself"] = (await farm.ask("status", "--self"))[1].encode()
    daemon.terminate()
    _, log = await daemon.communicate()
    seen["log"] = log
    assert [name for name, octets in seen.items() if WORD in octets] == []
    assert WORD in of_file(farm.settings.secrets_file or Path()), "else there was nothing to find"


def of_file(file: Path) -> bytes:
    return file.read_bytes()


async def test_what_lies_in_the_data_directory_is_the_owners(farm: Farm) -> None:
    daemon = await farm.daemon()
    await farm.until(partial(up, farm))
    await asyncio.sleep(3)
    modes = {file.name: stat.S_IMODE(file.stat().st_mode) for file in farm.settings.data.iterdir()}
    daemon.terminate()
    await daemon.communicate()
    assert stat.S_IMODE(farm.settings.data.stat().st_mode) & 0o007 == 0
    assert modes["answer.key"] == 0o600
    assert modes["farpole.sock"] == 0o660


async def test_many_idle_and_slow_clients_do_not_stop_the_watching(farm: Farm) -> None:
    port = free_port()
    daemon = await farm.daemon(f"127.0.0.1:{port}", asyncio.subprocess.DEVNULL)
    await farm.until(partial(up, farm))
    greedy = [socket.create_connection(("127.0.0.1", port)) for _ in range(400)]
    for i, one in enumerate(greedy):
        one.send(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: " + str(i).encode())  # and never a line's end
    farm.breaks("feeder-open", "creek")
    await farm.until(partial(dropped, farm), 30)
    for one in greedy:
        one.close()
    await asyncio.sleep(1)
    async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}") as client:
        assert "creek is silent" in (await client.get("/")).text
    itself = json.loads((await farm.ask("status", "--self", "--json"))[1])
    assert itself["memory_mb"] < 250
    daemon.terminate()
    await daemon.wait()


DESCRIPTORS, CLIENTS = 1024, 1006
"""What a daemon has where nobody has set another limit, and clients enough to take the rest of it."""
ALL_IN_S = 8
"""So long after its start all of the crowd have knocked."""
TOLD_WITHIN_S = 5.0


@pytest.mark.parametrize("crowd", [["--addresses", "1"], ["--addresses", "200"], ["--addresses", "200", "--plain"]])
async def test_a_thousand_idle_tls_clients_take_nothing_from_the_watching(
    farm: Farm, tmp_path: Path, crowd: list[str]
) -> None:
    """They are held, and knock again where they are not let in, while a feeder breaks: its callout is there in 5 s."""
    certificate, key = own_certificate(tmp_path)
    port, s = free_port(), farm.settings
    words = ["--plan", s.plan_file, "--data", s.data, "--secrets", s.secrets_file, "--page", f"127.0.0.1:{port}"]
    run = farm.command("run", *map(str, [*words, "--certificate", certificate, "--key", key]))
    limited = ["prlimit", f"--nofile={DESCRIPTORS}:{DESCRIPTORS}", *run]
    farm.started.append(await asyncio.create_subprocess_exec(*limited, stderr=(tmp_path / "log").open("wb")))
    await farm.until(partial(up, farm))
    await asyncio.sleep(6)  # every pole has been asked and has answered
    clients = await asyncio.create_subprocess_exec(
        *[sys.executable, "-m", "tests.bench.crowd", str(port), "--clients", str(CLIENTS), *crowd],
        stdout=asyncio.subprocess.PIPE,
    )
    farm.started.append(clients)
    assert clients.stdout is not None
    inside = [json.loads(await clients.stdout.readline())["inside"] for _ in range(ALL_IN_S)]
    assert inside[-1] > 0, "else nobody was idle"
    farm.breaks("feeder-open", "creek")
    await farm.until(partial(called_out, farm), TOLD_WITHIN_S)
    assert clients.returncode is None, "they are there still"
    assert await up(farm), "the commands of the owner are answered meanwhile"
    assert (tmp_path / "log").stat().st_size < 100_000, "nor do they fill the disk with the log"


async def called_out(farm: Farm) -> bool:
    return any("creek silent" in subject for subject, _ in farm.received)


async def dropped(farm: Farm) -> bool:
    return "creek pole-silent" in await farm.standing()


@pytest.mark.parametrize(
    "path", ["/static/../../secrets.yaml", "/static/%2e%2e/%2e%2e/secrets.yaml", "/photo/..%2fanswer.key"]
)
async def test_no_path_leads_outside(farm: Farm, path: str) -> None:
    port = free_port()
    daemon = await farm.daemon(f"127.0.0.1:{port}", asyncio.subprocess.DEVNULL)
    await farm.until(partial(up, farm))
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n".encode())
    answer = await asyncio.wait_for(reader.read(), 10)
    writer.close()
    assert answer.split()[1] in (b"404", b"400"), answer[:200]
    daemon.terminate()
    await daemon.wait()
