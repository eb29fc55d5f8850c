"""Real counterparts on loopback: an HTTP(S) server that writes down what it was asked, certificates, a deaf port."""

import contextlib
import http.server
import socket
import ssl
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.show.certificate import own_certificate


def self_signed(folder: Path, days: int = 1, address: str = "127.0.0.1") -> Path:
    """A certificate for an address that nobody has signed but itself, with its key, as one PEM file."""
    certificate, key = own_certificate(folder, days, address)
    file = folder / f"certificate{days}-{address}.pem"
    file.write_bytes(key.read_bytes() + certificate.read_bytes())
    return file


def server_context(certificate: Path) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate)
    return context


@dataclass
class Heard:
    """A request as it stood on the wire."""

    line: str
    headers: list[tuple[str, str]]
    body: bytes


@dataclass
class Gateway:
    """What came, and what is answered."""

    port: int = 0
    status: int = 200
    more: dict[str, str] = field(default_factory=dict)
    heard: list[Heard] = field(default_factory=list)


@contextlib.contextmanager
def gateway(certificate: Path | None = None, address: str = "127.0.0.1") -> Iterator[Gateway]:
    """An HTTP server of the standard library."""
    made = Gateway()

    class Handler(http.server.BaseHTTPRequestHandler):
        def answer(self) -> None:
            body = self.rfile.read(int(self.headers.get("content-length", "0")))
            made.heard.append(Heard(self.requestline, list(self.headers.items()), body))
            self.send_response(made.status)
            for name, value in made.more.items():
                self.send_header(name, value)
            self.end_headers()

        do_GET = do_POST = answer

        def log_message(self, format: str, *args: Any) -> None:
            """Say nothing."""

    class Server(http.server.ThreadingHTTPServer):
        address_family = socket.AF_INET6 if ":" in address else socket.AF_INET

        def handle_error(self, request: Any, client_address: Any) -> None:
            """A client that does not believe the certificate hangs up."""

    server = Server((address, 0), Handler)
    made.port = server.server_address[1]
    if certificate is not None:
        server.socket = server_context(certificate).wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=server.serve_forever, args=(0.05,))
    thread.start()
    try:
        yield made
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@contextlib.contextmanager
def deaf() -> Iterator[int]:
    """A port that takes connections and never says a word."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        yield int(listening.getsockname()[1])
