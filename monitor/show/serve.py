"""The web server, embedded: sockets that the daemon has bound itself, signals that stay the daemon's."""

import asyncio
import contextlib
import ssl
from collections.abc import Iterator, Sequence
from socket import socket
from typing import Any

import uvicorn


class _Embedded(uvicorn.Server):
    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave SIGTERM and SIGINT to the daemon."""
        yield


class Serving:
    """An application served on sockets until closed."""

    def __init__(self, app: Any, sockets: Sequence[socket], tls: ssl.SSLContext | None = None) -> None:
        config = uvicorn.Config(
            app,
            http="h11",
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            proxy_headers=False,
            server_header=False,
            timeout_graceful_shutdown=1,
            limit_concurrency=200,
        )
        if tls is not None:
            config.load()
            config.ssl = tls
        self._server, self._sockets = _Embedded(config), list(sockets)
        self.task: asyncio.Task[None] | None = None

    async def start(self) -> None:
        """Begin; returns when requests are taken."""
        self.task = asyncio.create_task(self._server.serve(sockets=self._sockets), name="web server")
        while not self._server.started:
            if self.task.done():
                self.task.result()
                raise RuntimeError("the web server ended before it began")
            await asyncio.sleep(0.01)

    async def close(self) -> None:
        """End within about a second, whoever is still connected."""
        self._server.should_exit = True
        if self.task is not None:
            await asyncio.wait([self.task], timeout=2)
