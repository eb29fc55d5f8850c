"""Whom the centre and the router believe: forged, moved, recorded parcels, and credentials of others."""

import asyncio
from pathlib import Path

import pytest

from monitor.centre import keys
from monitor.centre.line import Line, LineDown
from monitor.centre.line import Router as Where
from monitor.centre.parcel import Parcel, sealed
from monitor.centre.ports import subject_of
from monitor.centre.router import inbox_of
from monitor.daemon.ingesting import CentralInbox
from tests.centre.conftest import Keys
from tests.centre.test_carrying import SITE, centre
from tests.history.cluster import Cluster
from tests.peers.router import Router

pytestmark = pytest.mark.peer


async def test_what_is_forged_or_said_again_is_refused(
    tmp_path: Path, cluster: Cluster, router: Router, known: Keys
) -> None:
    async with centre(cluster.new_database(), router, known) as (central, ingester):
        mine, other = keys.signer(known.sites[SITE]), keys.signer(known.sites["other-farm"])
        begin = subject_of(SITE, "begin")
        parcel = Parcel({"number": 1, "history": "abc"})
        forged = await ingester.take(begin, sealed(begin, parcel, other))
        assert b"fp1" in forged
        assert ingester.refused == {"its signature does not hold": 1}
        moved = sealed(subject_of(SITE, "alive"), parcel, mine)  # signed for another subject
        await ingester.take(begin, moved)
        assert ingester.refused == {"its signature does not hold": 2}
        right = sealed(begin, parcel, mine)
        await ingester.take(begin, right)
        assert central.known(SITE)[:2] == ("abc", 1)
        heard_s = central.sites()[1].heard_s
        await ingester.take(begin, right)
        assert ingester.refused["it has been taken already, or it is older than one that has"] == 1
        assert central.sites()[1].heard_s == heard_s, "a recording is no sign of life"
        central.shut_out(SITE)
        late = CentralInbox(central, lambda: 1e9, 1)
        try:
            assert await late.key_of(SITE) is None
        finally:
            late.close()


async def test_a_credential_is_good_for_its_own_subjects_only(router: Router, known: Keys, tmp_path: Path) -> None:
    """By the router: what a site says under another's name goes nowhere, and it hears none of it."""
    heard: list[str] = []

    async def take(subject: str, octets: bytes) -> bytes:
        heard.append(subject)
        return b"yes"

    lines = {
        name: Line(Where(router.url, seed, inbox_of(name)))
        for name, seed in {"centre": known.centre, **known.sites}.items()
    }
    for line in lines.values():
        await line.open()
    await lines["centre"].serve("farpole.*.*", take, 4)
    await asyncio.sleep(0.5)  # the router tells its other connections of a new listener in its own time
    assert await lines[SITE].request(subject_of(SITE, "alive"), b"", 2) == b"yes"
    with pytest.raises(LineDown):
        await lines["other-farm"].request(subject_of(SITE, "alive"), b"", 1)
    with pytest.raises(LineDown):
        await lines["other-farm"].request(f"{inbox_of(SITE)}.anything", b"", 1)
    spied: list[str] = []

    async def spy(subject: str, octets: bytes) -> bytes:
        spied.append(subject)
        return b""

    await lines["other-farm"].serve("farpole.>", spy, 1)
    await lines[SITE].request(subject_of(SITE, "rounds"), b"", 2)
    assert heard == [subject_of(SITE, "alive"), subject_of(SITE, "rounds")]
    assert spied == []
    stranger = Line(Where(router.url, keys.new_seed(), inbox_of("stranger")))
    with pytest.raises(LineDown, match=r"(?i)authorization|nkey|violation|does not know this credential"):
        await stranger.open()
    for line in lines.values():
        await line.close()
