"""The web server, embedded: sockets that the daemon has bound itself, signals that stay the daemon's, bounded patience.

uvicorn waits without end for a request that does not come, and for a client that takes no answer. Here each has a time.
"""

import asyncio
import contextlib
import ssl
from collections import Counter
from collections.abc import Iterator, Sequence
from functools import partial
from socket import socket
from typing import Any

import h11
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from monitor.show.porch import Guest, Porch, Room, stated

_REQUEST_S, _BODY_S, _ANSWER_S = 10.0, 120.0, 30.0
"""How long a request's head may take, its body (a photo over a slow line), and how long an answer may lie untaken."""


class _Patient(H11Protocol):
    """HTTP/1.1 by uvicorn for one guest."""

    def __init__(self, porch: Porch, guest: Guest, *words: Any, **more: Any) -> None:
        super().__init__(*words, **more)
        self._porch, self._guest = porch, guest
        self._waiting_for: object = None
        self._patience: asyncio.TimerHandle | None = None
        self._untaken: asyncio.TimerHandle | None = None
        self._next: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Begin to wait for a request."""
        assert isinstance(transport, asyncio.Transport), "a stream"
        super().connection_made(transport)
        self.app_state = {**self.app_state, **stated(self._guest)}
        self._guest.leave = transport.abort
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        """Give the place back."""
        for timer in (self._patience, self._untaken, self._next):
            if timer is not None:
                timer.cancel()
        self._porch.left(self._guest)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take what came, and see what is still missing."""
        super().data_received(data)
        self._watch()

    def send_400_response(self, msg: str) -> None:
        """Refuse what is no request, and let nothing follow; where an answer has begun, only end."""
        if self.cycle is not None and not self.cycle.response_complete:
            begun = self.cycle.response_started
            self.cycle.disconnected = True
            self.cycle.message_event.set()
            if begun:
                self.transport.close()
                return
        super().send_400_response(msg)

    def on_response_complete(self) -> None:
        """Go on to the next request, a little later where there were too many."""
        wait_s = self._porch.wait_s(self._guest)
        if wait_s > 0:
            self.flow.pause_reading()
            self._next = self.loop.call_later(wait_s, self._go_on)
        else:
            self._go_on()

    def _go_on(self) -> None:
        super().on_response_complete()
        self._watch()

    def _watch(self) -> None:
        """Whatever must come from the client next has a time of its own, from when it began to be waited for."""
        state = self.conn.their_state
        waiting_for = state if state in (h11.IDLE, h11.SEND_BODY) else None
        if waiting_for is self._waiting_for:
            return
        self._waiting_for = waiting_for
        if self._patience is not None:
            self._patience.cancel()
            self._patience = None
        if waiting_for is not None:
            for_s = _REQUEST_S if waiting_for is h11.IDLE else _BODY_S
            self._patience = self.loop.call_later(for_s, self.transport.abort)

    def pause_writing(self) -> None:
        """The client takes nothing at present."""
        super().pause_writing()
        if self._untaken is None:
            self._untaken = self.loop.call_later(_ANSWER_S, self.transport.abort)

    def resume_writing(self) -> None:
        """It takes again."""
        super().resume_writing()
        if self._untaken is not None:
            self._untaken.cancel()
            self._untaken = None


class _Embedded(uvicorn.Server):
    def __init__(self, config: uvicorn.Config, room: Room) -> None:
        super().__init__(config)
        self.room = room
        self.porches: list[Porch] = []

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave SIGTERM and SIGINT to the daemon."""
        yield

    async def startup(self, sockets: list[socket] | None = None) -> None:
        """Listen by porches of our own."""
        await self.lifespan.startup()
        for one in sockets or ():
            one.listen(self.config.backlog)
            self.porches.append(Porch(one, self.room, self._guest, self.config.ssl))
        self.servers = self.porches  # type: ignore[assignment]  # of a server only close() and wait_closed() are asked
        self.started = True

    def _guest(self, porch: Porch, guest: Guest) -> asyncio.Protocol:
        make = partial(_Patient, porch, guest, self.config, self.server_state)
        return make(self.lifespan.state)


class Serving:
    """An application served on sockets until closed."""

    def __init__(
        self, app: Any, sockets: Sequence[socket], tls: ssl.SSLContext | None = None, room: Room | None = None
    ) -> None:
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
            backlog=100,
        )
        if tls is not None:
            config.load()
            config.ssl = tls
        self._server, self._sockets = _Embedded(config, room or Room()), list(sockets)
        self.task: asyncio.Task[None] | None = None

    @property
    def guests(self) -> int:
        """How many connections there are."""
        return sum(porch.guests for porch in self._server.porches)

    @property
    def turned_away(self) -> Counter[str]:
        """How many connections were not taken or made room, by reason."""
        return sum((porch.turned_away for porch in self._server.porches), Counter())

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
