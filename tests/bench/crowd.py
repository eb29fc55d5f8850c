"""Clients that never ask for anything: python -m tests.bench.crowd PORT [--clients 1006] [--addresses 1] [--plain]

Each connects to 127.0.0.1:PORT over TLS and then says nothing, for ever; one that is refused or hung up on knocks again
a second later. So as many as the server lets in are held, and the others never leave it alone. One JSON line a second:
how many are in. ``--plain`` leaves out TLS: the connection is opened and no handshake ever begins.
"""

import argparse
import asyncio
import json
import resource
import ssl
from contextlib import suppress
from dataclasses import dataclass

AGAIN_S = 1.0


@dataclass
class Crowd:
    """How the clients fare."""

    port: int
    tls: ssl.SSLContext | None
    inside: int = 0

    async def one(self, address: str) -> None:
        """One client, for ever, from one address of this machine."""
        while True:
            with suppress(OSError):
                await self._visit(address)
            await asyncio.sleep(AGAIN_S)

    async def _visit(self, address: str) -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port, ssl=self.tls, local_addr=(address, 0))
        self.inside += 1
        try:
            await reader.read()
        finally:
            self.inside -= 1
            writer.close()

    async def run(self, clients: int, addresses: int) -> None:
        """All clients, from so many addresses (all of 127/8 is this machine)."""
        going = [asyncio.create_task(self.one(f"127.0.9.{1 + i % addresses}")) for i in range(clients)]
        while not any(task.done() for task in going):
            print(json.dumps({"inside": self.inside}), flush=True)
            await asyncio.sleep(1)
        await asyncio.gather(*going)


def untrusting() -> ssl.SSLContext:
    """TLS that looks at no certificate: a stranger has no reason to."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    return context


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("port", type=int)
    parser.add_argument("--clients", type=int, default=1006)
    parser.add_argument("--addresses", type=int, default=1)
    parser.add_argument("--plain", action="store_true", help="open the connection and never begin TLS")
    given = parser.parse_args()
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(most, given.clients + 100), most))
    crowd = Crowd(given.port, None if given.plain else untrusting())
    asyncio.run(crowd.run(given.clients, given.addresses))
