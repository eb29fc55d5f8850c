"""A TCP service answers, refuses, or is silent: against the kernel's own sockets on loopback."""

import socket
import time

import pytest

from monitor.devices.ask.tcp import Tcp, connect


@pytest.mark.parametrize("address", ["127.0.0.1", "::1"])
async def test_open_and_refused(address: str) -> None:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    with socket.create_server((address, 0), family=family) as server:
        port = server.getsockname()[1]
        assert await connect(address, port) is Tcp.OPEN
        taken, _ = server.accept()
        with taken:
            taken.settimeout(2)
            assert taken.recv(1) == b"", "it is closed again, and nothing was sent"
    assert await connect(address, port) is Tcp.REFUSED


async def test_one_who_takes_nothing_more_is_silent() -> None:
    """Where its queue is full, Linux drops what else wants in (tcp(7), listen(2))."""
    with socket.create_server(("127.0.0.1", 0), backlog=0) as server:
        waiting = [socket.socket() for _ in range(4)]
        for one in waiting:
            one.setblocking(False)
            one.connect_ex(server.getsockname())
        began_s = time.monotonic()
        assert await connect("127.0.0.1", server.getsockname()[1], 0.3) is Tcp.SILENT
        assert 0.25 < time.monotonic() - began_s < 2
        for one in waiting:
            one.close()


async def test_an_address_that_leads_nowhere_is_silence() -> None:
    assert await connect("255.255.255.255", 9) is Tcp.SILENT
