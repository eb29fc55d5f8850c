"""Parcels: what is signed comes back, and nothing else does."""

import asyncio
import json
import struct
import zlib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.centre import keys
from monitor.centre.ingest import Ingester
from monitor.centre.keys import NoKey
from monitor.centre.parcel import MOST_HEAD_OCTETS, NotRight, Parcel, opened, sealed
from monitor.centre.ports import Known, NotNow, site_of, subject_of
from monitor.centre.reporter import Identity, Refused, Reporter, answer_to
from monitor.centre.router import configuration

SEED = keys.new_seed()
SIGN, HOLDS = keys.signer(SEED), keys.verifier(keys.public_of(SEED))
HEADS = st.dictionaries(st.text(max_size=8), st.one_of(st.integers(-(2**53), 2**53), st.text(), st.none()), max_size=6)
BLOBS = st.lists(st.tuples(st.integers(-(2**63), 2**63 - 1), st.binary(max_size=300)), max_size=5)


@given(HEADS, BLOBS)
def test_what_was_sealed_is_opened(head: dict[str, object], blobs: list[tuple[int, bytes]]) -> None:
    parcel = Parcel(head, tuple(blobs))
    assert opened("farpole.a.rounds", sealed("farpole.a.rounds", parcel, SIGN), HOLDS) == parcel


@given(st.data())
def test_one_other_bit_anywhere_and_it_is_refused(data: st.DataObject) -> None:
    """RFC 8032 section 5.1.7: a signature holds for its own message only."""
    octets = bytearray(sealed("farpole.a.rounds", Parcel({"number": 7}, ((1, b"abc"),)), SIGN))
    at = data.draw(st.integers(0, 8 * len(octets) - 1))
    octets[at // 8] ^= 1 << at % 8
    with pytest.raises(NotRight, match="signature"):
        opened("farpole.a.rounds", bytes(octets), HOLDS)


def test_what_was_signed_for_another_subject_is_refused() -> None:
    octets = sealed("farpole.a.rounds", Parcel({"number": 7}), SIGN)
    with pytest.raises(NotRight, match="signature"):
        opened("farpole.b.rounds", octets, HOLDS)
    with pytest.raises(NotRight, match="signature"):
        opened("farpole.a.changes", octets, HOLDS)


def test_a_head_that_would_fill_the_memory_is_refused() -> None:
    """CWE-409: a kilobyte that unpacks into more than a head may have."""
    bomb = zlib.compress(b'{"a": "' + b"x" * (MOST_HEAD_OCTETS + 1) + b'"}', 9)
    body = b"fp1\n" + struct.pack("<I", len(bomb)) + bomb
    with pytest.raises(NotRight, match="too large"):
        opened("a.b.c", bytes(64) + body, lambda *_: True)


@pytest.mark.parametrize("number", [None, -1, "1", 1.5, True])
def test_a_parcel_without_a_right_number(number: object) -> None:
    with pytest.raises(NotRight, match="number"):
        _ = Parcel({"number": number}).number


def test_keys_are_in_the_routers_notation() -> None:
    """NATS: a seed of a user begins with SU and has 58 characters, a public key with U and 56 (nkeys, ADR-14)."""
    public = keys.public_of(SEED)
    assert (SEED[:2], len(SEED), public[0], len(public)) == ("SU", 58, "U", 56)
    spoilt = public[:-1] + ("A" if public[-1] != "A" else "B")
    with pytest.raises(NoKey):
        keys.verifier(spoilt)
    with pytest.raises(NoKey, match="SU"):
        keys.signer("not a seed")


@pytest.mark.parametrize("subject", ["farpole.a", "other.a.b", "farpole..b", "farpole.a.b.c", ""])
def test_subjects_that_are_none_of_ours(subject: str) -> None:
    with pytest.raises(NotRight, match="none of ours"):
        site_of(subject)


def test_the_routers_users_say_their_own_only() -> None:
    text = configuration("UCENTRE", [("a", "UA"), ("b", "UB")])
    mine = next(line for line in text.splitlines() if "UA" in line)
    assert '"farpole.a.>"' in mine
    assert '"_INBOX.a.>"' in mine
    assert "farpole.b" not in mine


class Inbox:
    """Tables that a test holds in its hand."""

    def __init__(self) -> None:
        self.away, self.kept = False, []  # type: ignore[var-annotated]  # parcels of any kind

    async def key_of(self, site: str) -> str | None:
        return keys.public_of(SEED) if site == "a" else None

    async def known(self, site: str) -> Known:
        return Known("h", 3, {"changes": 1}, None, {})

    async def keep(self, site: str, parcel: Parcel, now_s: float) -> str:
        if self.away:
            raise NotNow("away")
        self.kept.append((site, parcel))
        return ""


CENTRE = keys.new_seed()


def ingester(inbox: Inbox) -> Ingester:
    return Ingester(inbox, keys.signer(CENTRE), keys.verifier, lambda: 1.0)


async def test_only_known_sites_are_taken_and_trouble_is_said() -> None:
    inbox = Inbox()
    one = ingester(inbox)
    subject, parcel = subject_of("stranger", "alive"), Parcel({"number": 1})
    await one.take(subject, sealed(subject, parcel, SIGN))
    assert inbox.kept == []
    assert one.refused == {"this centre knows no such site": 1}
    inbox.away = True
    subject = subject_of("a", "alive")
    octets = sealed(subject, parcel, SIGN)
    came = opened(f"{subject} answer", await one.take(subject, octets), keys.verifier(keys.public_of(CENTRE)))
    assert came.head["no"] == "it cannot be kept now"
    inbox.away = False
    await one.take(subject, octets)
    assert [(site, got.head["kind"]) for site, got in inbox.kept] == [("a", "alive")]


async def test_an_answer_that_is_forged_or_meant_for_another_moves_nothing() -> None:
    """A router that answers "kept" in the centre's place, or an old answer: the site does not believe it."""
    answers: list[bytes] = []

    class Way:
        async def open(self) -> None: ...

        async def close(self) -> None: ...

        async def request(self, subject: str, octets: bytes, timeout_s: float) -> bytes:
            self.asked = octets
            return answers.pop(0)

    async def no_sleep(_: float) -> None: ...

    me = Identity("a", SIGN, keys.verifier(keys.public_of(CENTRE)))
    outbox: object = None
    reporter = Reporter(me, outbox, Way, lambda: 0.0, no_sleep, 60.0, asyncio.Event())  # type: ignore[arg-type]  # not asked here
    subject, way = subject_of("a", "alive"), Way()
    answers += [answer_to(subject, bytes(64), {}, SIGN), answer_to(subject, bytes(64), {}, keys.signer(CENTRE))]
    with pytest.raises(NotRight, match="signature"):
        await reporter._ask(way, "alive", Parcel({"number": 1}))
    with pytest.raises(Refused, match="another question"):
        await reporter._ask(way, "alive", Parcel({"number": 2}))
    assert reporter.report.answered_s is None
    assert json.dumps(reporter.report.up_to) == "{}"


class Recorder:
    """A router that has recorded what the centre answered to a greeting, and gives it to the next."""

    def __init__(self, head: dict[str, object]) -> None:
        self.head, self.recorded = head, b""

    async def request(self, subject: str, octets: bytes, timeout_s: float) -> bytes:
        self.recorded = self.recorded or answer_to(subject, octets, self.head, keys.signer(CENTRE))
        return self.recorded


def greeting() -> Reporter:
    not_here: Any = None
    me = Identity("a", SIGN, keys.verifier(keys.public_of(CENTRE)))

    async def no_sleep(_: float) -> None: ...

    return Reporter(me, not_here, not_here, lambda: 0.0, no_sleep, 60.0, asyncio.Event())


async def test_a_recorded_answer_fits_no_later_greeting() -> None:
    """Ed25519 signs the same octets alike (RFC 8032, 5.1.6): without something fresh each greeting is the same."""
    known = {"history": "h", "last": 3, "up_to": {}, "newest_change_s": None, "sheets": {}}
    one, way = greeting(), Recorder(known)
    assert (await one._known(way)).number == 3  # type: ignore[arg-type]  # only asked
    with pytest.raises(Refused, match="another question"):
        await one._known(way)  # type: ignore[arg-type]  # only asked


@pytest.mark.parametrize("head", [{}, {"history": 1, "last": "x"}, {"history": "h", "last": 1, "up_to": 7}])
async def test_an_answer_of_another_farpole_is_no_end_of_reporting(head: dict[str, object]) -> None:
    with pytest.raises(Refused, match="not as it should be"):
        await greeting()._known(Recorder(head))  # type: ignore[arg-type]  # only asked
