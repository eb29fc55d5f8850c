"""Asking the survey's helper: the systemd socket where there is one, else a process of our own where we may."""

import asyncio
import json
import os
import sys
from collections.abc import AsyncGenerator, AsyncIterator, Sequence
from contextlib import aclosing
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
    until_s = asyncio.get_running_loop().time() + _LONGEST_S
    by_socket = os.path.exists(socket)  # noqa: ASYNC240  # one look at a local path
    if not by_socket and os.geteuid() != 0:
        raise NoHelper("an ARP sweep needs a raw socket: run the survey with sudo, or install farpole as a service")
    asked = _by_socket(request, socket, until_s) if by_socket else _by_process(request, until_s)
    async with aclosing(asked):
        async for one in asked:
            yield one


async def _by_socket(request: str, socket: Path, until_s: float) -> AsyncGenerator[dict[str, Any], None]:
    try:
        reader, writer = await asyncio.open_unix_connection(str(socket), limit=_MOST_LINE)
    except OSError as error:
        raise NoHelper(f"{socket} cannot be used: {error.strerror}") from None
    try:
        writer.write(request.encode())
        async for one in _lines(reader, until_s):
            yield one
    finally:
        writer.transport.abort()


async def _by_process(request: str, until_s: float) -> AsyncGenerator[dict[str, Any], None]:
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "monitor.devices.ask.sweep",
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
        limit=_MOST_LINE,
    )
    try:
        if process.stdin is None or process.stdout is None:
            raise NoHelper("the helper has no pipes")
        process.stdin.write(request.encode())
        process.stdin.close()
        async for one in _lines(process.stdout, until_s):
            yield one
    finally:
        if process.returncode is None:
            process.kill()
        await process.wait()


async def _lines(reader: asyncio.StreamReader, until_s: float) -> AsyncIterator[dict[str, Any]]:
    """Objects, one a line, up to the one that says that it is done; who never says so is left when the time is up."""
    time = asyncio.get_running_loop().time
    while True:
        try:
            async with asyncio.timeout_at(until_s):
                line = await reader.readline()
        except (TimeoutError, ValueError):
            raise NoHelper("the helper did not come to an end") from None
        if time() >= until_s:
            raise NoHelper("the helper did not come to an end")
        if not line:
            raise NoHelper("the helper ended early; is scapy installed? (sh deploy/install --with survey)")
        one = _object(line)
        if one.get("kind") == "error":
            raise NoHelper(str(one.get("why"))[:200])
        if one.get("kind") == "done":
            return
        yield one


def _object(line: bytes) -> dict[str, Any]:
    try:
        one = json.loads(line)
    except (ValueError, RecursionError):
        one = None
    if not isinstance(one, dict):
        raise NoHelper("the helper's answer is not as it should be")
    return one
