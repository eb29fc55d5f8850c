"""Stores on both databases: SQLite in a file, PostgreSQL in a cluster that the tests start and stop themselves."""

import os
import pwd
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import pytest

from monitor.history.store import Store


@pytest.fixture(scope="session")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A PostgreSQL that listens on a Unix socket only; its URL without a database."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if not found:
        words = "PostgreSQL is not installed (apt install postgresql)"
        if os.environ.get("CI"):
            pytest.fail(words)
        pytest.skip(words)
    folder = Path(f"/tmp/farpole-pg-{uuid4().hex[:8]}")  # a socket's path may have 107 octets, pytest's are longer
    folder.mkdir(mode=0o700)
    before: list[str] = []
    if os.geteuid() == 0:  # PostgreSQL refuses to run as root
        os.chown(folder, pwd.getpwnam("postgres").pw_uid, -1)
        before = ["runuser", "-u", "postgres", "--"]
    binaries = found[-1].parent

    def run(*words: str) -> None:
        subprocess.run([*before, *words], check=True, capture_output=True, cwd="/", timeout=60)

    try:
        run(
            str(binaries / "initdb"), "-D", f"{folder}/data", "-A", "trust", "-U", "postgres", "-E", "UTF8", "--no-sync"
        )
        control = str(binaries / "pg_ctl")
        options = f"-k {folder} -c listen_addresses='' -c shared_buffers=16MB"
        run(control, "-D", f"{folder}/data", "-o", options, "-l", f"{folder}/log", "-w", "start")
        try:
            yield f"host={folder}&user=postgres"
        finally:
            run(control, "-D", f"{folder}/data", "-m", "immediate", "-w", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(params=["sqlite", "postgresql"])
def any_store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """An empty store, on each database in turn."""
    if request.param == "sqlite":
        opened = Store(tmp_path / "history.sqlite")
    else:
        import psycopg

        where = str(request.getfixturevalue("cluster"))
        name = f"farpole_{uuid4().hex[:8]}"
        with psycopg.connect(where.replace("&", " ") + " dbname=postgres", autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}".encode())
        opened = Store(f"postgresql+psycopg:///{name}?{where}")
    yield opened
    opened.close()
