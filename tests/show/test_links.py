"""Signed links: only ours, only until their end, only of what they name. HMAC by Python's own library as reference."""

import base64
import hashlib
import hmac
import stat
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.show.links import LASTS_S, MOST_CHARACTERS, Answer, NotValid, key_of, read, sign

KEY = b"k" * 32
ANSWER = Answer("owner", "creek", "pole-silent", "", 1000.5, 1000.5 + LASTS_S)


def test_a_link_says_what_it_was_made_for() -> None:
    token = sign(KEY, ANSWER)
    assert read(KEY, token, 2000.0) == ANSWER
    said, mac = (base64.urlsafe_b64decode(part + "==") for part in token.split("."))
    assert hmac.new(KEY, said, hashlib.sha256).digest() == mac
    assert set(token) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_.")


def test_it_ends() -> None:
    assert read(KEY, sign(KEY, ANSWER), ANSWER.until_s - 1) == ANSWER
    with pytest.raises(NotValid, match="has ended"):
        read(KEY, sign(KEY, ANSWER), ANSWER.until_s)
    assert timedelta(days=7).total_seconds() == LASTS_S, "as the README says"


def test_what_no_callout_carries_is_not_even_looked_at() -> None:
    """A stranger may send megabytes: nothing is decoded or hashed of what is longer than any link of ours."""
    longest = replace(ANSWER, person="p" * (MOST_CHARACTERS // 2), resource="creek/load/creek-gate-camera")
    assert read(KEY, sign(KEY, longest), 2000.0) == longest
    with pytest.raises(NotValid, match="none of this site's"):
        read(KEY, sign(KEY, replace(ANSWER, person="p" * MOST_CHARACTERS)), 2000.0)


@given(st.text(max_size=60), st.integers(0, 400), st.sampled_from("Ax-_."))
def test_nothing_else_is_taken(junk: str, at: int, letter: str) -> None:
    token = sign(KEY, ANSWER)
    at %= len(token)
    changed = token[:at] + letter + token[at + 1 :]
    for one in (junk, changed if changed != token else junk, sign(b"x" * 32, ANSWER), token + "A" * 2000):
        if one == token:
            continue
        try:
            found = read(KEY, one, 2000.0)
        except NotValid:
            continue
        assert found == ANSWER, "base64 may spell the same octets in two ways, and then says the same"


def test_the_key_is_made_once_and_is_its_owner_s_alone(tmp_path: Path) -> None:
    file = tmp_path / "answer.key"
    first = key_of(file)
    assert len(first) == 32
    assert key_of(file) == first
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_a_key_that_a_full_disk_has_cut_is_made_anew(tmp_path: Path) -> None:
    """With an empty key anybody could sign."""
    file = tmp_path / "answer.key"
    file.touch(mode=0o600)
    assert len(key_of(file)) == 32
    assert key_of(file) == file.read_bytes()
