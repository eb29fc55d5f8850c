"""A real NATS router on loopback, which a test starts, kills and starts again on the same port."""

import os
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path

from tests.conftest import need_peers


class Router:
    """nats-server with the users that it is told; it keeps nothing."""

    def __init__(self, folder: Path, users: str, tls: tuple[Path, Path] | None = None) -> None:
        need_peers("nats-server")
        self.folder, self.tls = folder, tls
        with socket.create_server(("127.0.0.1", 0)) as probe:
            self.port = probe.getsockname()[1]
        (folder / "users.conf").write_text(users)
        lines = ["host: 127.0.0.1", f"port: {self.port}", "include users.conf"]
        if tls is not None:
            lines.append(f'tls {{ cert_file: "{tls[0]}", key_file: "{tls[1]}" }}')
        self.conf = folder / "router.conf"
        self.conf.write_text("\n".join(lines) + "\n")
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"{'tls' if self.tls else 'nats'}://127.0.0.1:{self.port}"

    def start(self) -> None:
        where = shutil.which("nats-server", path=os.environ["PATH"] + ":/usr/sbin")
        assert where is not None, "need_peers has found it"
        log = (self.folder / "router.log").open("ab")
        self.process = subprocess.Popen([where, "-c", str(self.conf)], stdout=log, stderr=log)
        until_s = time.monotonic() + 10
        while time.monotonic() < until_s:
            try:
                socket.create_connection(("127.0.0.1", self.port), 0.5).close()
                return
            except OSError:
                assert self.process.poll() is None, (self.folder / "router.log").read_text()
                time.sleep(0.05)
        raise TimeoutError("nats-server does not listen")

    def users(self, text: str) -> None:
        """Other users, taken without a restart."""
        (self.folder / "users.conf").write_text(text)
        assert self.process is not None
        self.process.send_signal(signal.SIGHUP)

    def kill(self) -> None:
        """As a power cut does."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None
