"""Asking the survey's helper: the systemd socket where there is one, else a process of our own where we may."""

import asyncio
import json
import os
import sys
from collections.abc import AsyncIterator, Sequence
from pathlib import Path
from typing import Any

SOCKET = Path("/run/farpole/sweep.sock")
_LONGEST_S = 300.0
_MOST_LINE = 8192


class NoHelper(OSError):
    """The helper cannot be used here; the message says why."""


async def sweep(
    interface: str, networks: Sequence[str], listen_s: float, socket: Path = SOCKET
) -> AsyncIterator[dict[str, Any]]:
    """What the helper finds, as it finds it; raises NoHelper."""
    request = json.dumps({"interface": interface, "networks": list(networks), "listen_s": listen_s}) + "\n"
    process: asyncio.subprocess.Process | None = None
    if os.path.exists(socket):  # noqa: ASYNC240  # one look at a local path
        try:
            reader, writer = await asyncio.open_unix_connection(str(socket), limit=_MOST_LINE)
        except OSError as error:
            raise NoHelper(f"{socket} cannot be used: {error.strerror}") from None
        writer.write(request.encode())
        await writer.drain()
    else:
        if os.geteuid() != 0:
            raise NoHelper("an ARP sweep needs a raw socket: run the survey with sudo, or install farpole as a service")
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "monitor.devices.ask.sweep",
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
            limit=_MOST_LINE,
        )
        if process.stdin is None or process.stdout is None:
            raise NoHelper("the helper has no pipes")
        process.stdin.write(request.encode())
        await process.stdin.drain()
        process.stdin.close()
        reader = process.stdout
    try:
        async for one in _lines(reader):
            yield one
    finally:
        if process is not None:
            if process.returncode is None:
                process.kill()
            await process.wait()


async def _lines(reader: asyncio.StreamReader) -> AsyncIterator[dict[str, Any]]:
    loop = asyncio.get_running_loop()
    until_s = loop.time() + _LONGEST_S
    while True:
        try:
            async with asyncio.timeout(max(0.1, until_s - loop.time())):
                line = await reader.readline()
        except (TimeoutError, ValueError):
            raise NoHelper("the helper did not come to an end") from None
        if not line:
            raise NoHelper("the helper ended early; is scapy installed? (sh deploy/install --with survey)")
        one = json.loads(line)
        if one.get("kind") == "error":
            raise NoHelper(str(one.get("why"))[:200])
        if one.get("kind") == "done":
            return
        yield one
