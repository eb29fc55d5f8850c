"""A PostgreSQL of a test's own: on a Unix socket only, killed and started again as the test wishes."""

import os
import pwd
import shutil
import signal
import subprocess
import time
from pathlib import Path
from uuid import uuid4

import pytest


class Cluster:
    """One cluster in a folder of its own."""

    def __init__(self, options: str = "", disk: Path | None = None) -> None:
        """On a disk of its own (an empty folder of it) everything is written as it would be at work."""
        found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
        if not found:
            words = "PostgreSQL is not installed (apt install postgresql)"
            if os.environ.get("CI"):
                pytest.fail(words)
            pytest.skip(words)
        self.binaries = found[-1].parent
        self.folder = Path(f"/tmp/farpole-pg-{uuid4().hex[:8]}")  # a socket's path may have 107 octets
        self.folder.mkdir(mode=0o700)
        self._before: list[str] = []
        if os.geteuid() == 0:  # PostgreSQL refuses to run as root
            for one in filter(None, (self.folder, disk)):
                os.chown(one, pwd.getpwnam("postgres").pw_uid, -1)
            self._before = ["runuser", "-u", "postgres", "--"]
        self._options = f"-k {self.folder} -c listen_addresses='' -c shared_buffers=16MB {options}"
        self._pid = -1
        self.data = disk / "data" if disk else self.folder / "data"
        sync = [] if disk else ["--no-sync"]
        options_of = ["-D", str(self.data), "-A", "trust", "-U", "postgres", "-E", "UTF8"]
        self.run(str(self.binaries / "initdb"), *options_of, *sync)

    @property
    def where(self) -> str:
        """The query of its URLs."""
        return f"host={self.folder}&user=postgres"

    def url(self, database: str) -> str:
        """The URL of a database."""
        return f"postgresql+psycopg:///{database}?{self.where}"

    def new_database(self) -> str:
        """The URL of a new, empty database."""
        import psycopg

        name = f"farpole_{uuid4().hex[:8]}"
        with psycopg.connect(self.where.replace("&", " ") + " dbname=postgres", autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}".encode())
        return self.url(name)

    def run(self, *words: str) -> None:
        subprocess.run([*self._before, *words], check=True, capture_output=True, cwd="/", timeout=60)

    def start(self) -> None:
        (self.data / "postmaster.pid").unlink(missing_ok=True)  # of one that was killed
        control = [str(self.binaries / "pg_ctl"), "-D", str(self.data)]
        self.run(*control, "-o", self._options, "-l", f"{self.folder}/log", "-w", "start")
        self._pid = int((self.data / "postmaster.pid").read_text().split()[0])

    def kill(self) -> None:
        """The postmaster and every process of it, at once, as the kernel does when memory runs out."""
        pid = self._pid
        found = subprocess.run(["pgrep", "-P", str(pid)], capture_output=True, text=True).stdout.split()
        for one in [pid, *map(int, found)]:
            try:
                os.kill(one, signal.SIGKILL)
            except ProcessLookupError:
                continue
        until_s = time.monotonic() + 10
        while time.monotonic() < until_s and any(Path(f"/proc/{one}").exists() for one in [pid, *map(int, found)]):
            time.sleep(0.02)

    def stop(self) -> None:
        if Path(f"/proc/{self._pid}").exists():
            self.run(str(self.binaries / "pg_ctl"), "-D", str(self.data), "-m", "immediate", "-w", "stop")

    def remove(self) -> None:
        try:
            self.stop()
        finally:
            shutil.rmtree(self.folder, ignore_errors=True)
