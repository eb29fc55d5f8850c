"""Where the page is served, and under which conditions: never to a network without passwords and TLS."""

import ssl
from collections.abc import Callable
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path

from monitor.daemon.secrets import Secrets, machines, people
from monitor.plan.text import NotRight, Problem
from monitor.show.door import Door
from monitor.show.entrance import Entrance
from monitor.show.porch import Room


@dataclass(frozen=True, slots=True)
class Page:
    """Address and port, and by what a page that is reached from elsewhere is protected."""

    host: str = "127.0.0.1"
    port: int = 8460
    certificate: Path | None = None
    key: Path | None = None
    tls_proxy: str = ""
    """Address of a proxy that ends TLS before us."""

    @property
    def network(self) -> bool:
        """Is it reached from elsewhere than this machine?"""
        return bool(self.tls_proxy) or not (self.host == "localhost" or ip_address(self.host).is_loopback)

    def room(self, total: int) -> Room:
        """Its places, ``total`` of them; each address has its own share where addresses tell who stands behind them."""
        return Room(total, EACH if self.network and not self.tls_proxy else None)

    def entrance(self, secrets: Secrets, now: Callable[[], float]) -> Entrance:
        """The way in. Raises NotRight where it would stand open."""
        known = people(secrets)
        if self.network and not known:
            raise self._wrong(
                "nobody has a password, and this address is reached from the network; add an entry of kind log-in to "
                "the secrets: farpole init --log-in NAME makes one"
            )
        if self.network and not (self.certificate or self.tls_proxy):
            raise self._wrong(
                "passwords would cross the network in clear; give --certificate and --key, or say which proxy ends TLS "
                "(--tls-proxy ADDRESS)"
            )
        door = Door(known, machines(secrets))
        return Entrance(door, now, self.network, bool(self.certificate or self.tls_proxy), self.tls_proxy)

    def tls(self) -> ssl.SSLContext | None:
        """Our own end of TLS, with the certificate as it lies there now. Raises NotRight."""
        if self.certificate is None:
            return None
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        self.reload(context)
        return context

    def reload(self, context: ssl.SSLContext) -> None:
        """Take a renewed certificate; connections that stand go on with the old one."""
        assert self.certificate is not None, "only where TLS ends here"
        try:
            context.load_cert_chain(self.certificate, self.key)
        except (OSError, ssl.SSLError) as error:
            raise self._wrong(f"{self.certificate} with {self.key} cannot be used: {error}") from None

    def _wrong(self, words: str) -> NotRight:
        return NotRight([Problem(1, f"--page {self.host}:{self.port}", words, "farpole run")])


EACH = 24
"""Connections from one address: a browser opens six for each page that it shows (common practice, no source)."""
HERE = Page()
"""This machine's own address, where it is served if nothing else is said."""


def page_of(text: str, certificate: Path | None, key: Path | None, tls_proxy: str) -> Page | None:
    """``ADDRESS:PORT`` or ``off`` of the command line; raises ValueError for anything else.

    >>> page_of("127.0.0.1:8460", None, None, ""), page_of("off", None, None, "")
    (Page(host='127.0.0.1', port=8460, certificate=None, key=None, tls_proxy=''), None)
    """
    if text == "off":
        return None
    host, _, port = text.rpartition(":")
    host = host.strip("[]")
    if not host or not port.isdecimal() or not 1 <= int(port) <= 65535:
        raise ValueError(f"--page {text!r} is not ADDRESS:PORT or off")
    for name, one in (("--page", host), ("--tls-proxy", tls_proxy or "::1")):
        try:
            if one != "localhost":
                ip_address(one)
        except ValueError:
            raise ValueError(f"{name} {one!r} is no IP address") from None
    if (certificate is None) != (key is None):
        raise ValueError("--certificate and --key belong together")
    return Page(host, int(port), certificate, key, tls_proxy)
