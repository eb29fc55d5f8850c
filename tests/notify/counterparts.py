"""Real counterparts on loopback: an HTTP(S) server that writes down what it was asked, certificates, a deaf port."""

import contextlib
import datetime
import http.server
import ipaddress
import socket
import ssl
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


def self_signed(folder: Path, days: int = 1, address: str = "127.0.0.1") -> Path:
    """A certificate for an address that nobody has signed but itself, with its key, as one PEM file."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "gateway")])
    now = datetime.datetime.now(datetime.UTC)
    until = now + datetime.timedelta(days=days)
    names = x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address(address))])
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(min(now, until) - datetime.timedelta(days=1))
        .not_valid_after(until)
        .add_extension(names, critical=False)
        .sign(key, hashes.SHA256())
    )
    file = folder / f"certificate{days}-{address}.pem"
    private = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    file.write_bytes(private + certificate.public_bytes(serialization.Encoding.PEM))
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
