"""A router for a centre, and keys for everybody."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from monitor.centre import keys
from monitor.centre.router import configuration
from tests.peers.router import Router


@dataclass
class Keys:
    """Seeds of the centre and of its sites."""

    centre: str = field(default_factory=keys.new_seed)
    sites: dict[str, str] = field(default_factory=dict)

    def users(self) -> str:
        """What the router must know of them."""
        known = [(name, keys.public_of(seed)) for name, seed in self.sites.items()]
        return configuration(keys.public_of(self.centre), known)


@pytest.fixture
def known() -> Keys:
    return Keys(sites={name: keys.new_seed() for name in ("tarrow-downs", "other-farm")})


@pytest.fixture
def router(tmp_path: Path, known: Keys) -> Iterator[Router]:
    made = Router(tmp_path, known.users())
    try:
        made.start()
        yield made
    finally:
        made.kill()
