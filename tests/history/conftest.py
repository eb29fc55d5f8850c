"""Stores on both databases: SQLite in a file, PostgreSQL in a cluster that the tests start and stop themselves."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.history.store import Store


@pytest.fixture(params=["sqlite", "postgresql"])
def any_store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """An empty store, on each database in turn."""
    if request.param == "sqlite":
        opened = Store(tmp_path / "history.sqlite")
    else:
        opened = Store(request.getfixturevalue("cluster").new_database())
    yield opened
    opened.close()
