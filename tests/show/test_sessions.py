"""What the door keeps: sessions and their ends, devices that are known, and what it tells of wrong passwords."""

import asyncio
import hashlib
import re
from collections.abc import Callable, Iterator
from typing import Literal

import pytest
from argon2 import PasswordHasher

from monitor.show import door as door_module
from monitor.show import tries
from monitor.show.door import Door, Machine, Person, ShutOut, Visitor, same

CHEAP = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
"""A hash that a test need not wait for; parameters travel within it (RFC 9106, the encoded form)."""
PASSWORD, TOKEN = "a long road home", "t" * 43
JO, VI = Person("operator", CHEAP.hash(PASSWORD)), Person("viewer", CHEAP.hash(PASSWORD))
HOME = "192.0.2.1"
HALF_A_DAY_S, A_MONTH_S = 43_200.0, 2_592_000.0
AT_ONCE_S = 5.0
"""More than a cheap look takes on a busy machine, and far less than the slow path's step of 40 s."""


class Counted(PasswordHasher):
    """What was hashed, and against which hashes passwords were held."""

    def __init__(self) -> None:
        super().__init__(time_cost=1, memory_cost=8, parallelism=1)
        self.made: list[str] = []
        self.held_against: list[str] = []

    def hash(self, password: str | bytes, *, salt: bytes | None = None) -> str:
        self.made.append(super().hash(password, salt=salt))
        return self.made[-1]

    def verify(self, hash: str | bytes, password: str | bytes) -> Literal[True]:  # the library's own names
        self.held_against.append(str(hash))
        return super().verify(hash, password)


@pytest.fixture(autouse=True)
def hasher() -> Iterator[Counted]:
    made = Counted()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(door_module, "PasswordHasher", lambda: made)
        yield made


def at(now_s: float) -> Callable[[], float]:
    """A clock that stands."""
    return lambda: now_s


def a_door() -> Door:
    return Door({"jo": JO, "vi": VI}, {"script": Machine("viewer", hashlib.sha256(TOKEN.encode()).hexdigest())})


async def guessed(door: Door, address: str, times: int, at_s: float = 0.0, device: str = "") -> None:
    for _ in range(times):
        with pytest.raises(ShutOut, match="is wrong"):
            await door.enter("jo", "no", address, at(at_s), device)


async def shut(door: Door, address: str, at_s: float, device: str = "") -> ShutOut:
    """Why the right password does not open, without anybody waiting for it."""
    with pytest.raises(ShutOut) as out:
        async with asyncio.timeout(AT_ONCE_S):
            await door.enter("jo", PASSWORD, address, at(at_s), device)
    return out.value


# ---- sessions


async def test_a_session_ends_after_half_a_day_without_use_and_after_thirty_days_of_use() -> None:
    """OWASP ASVS 4.0.3, 3.3.2, level 1: authenticated anew after 30 days at the latest, used or idle (from memory)."""
    door, began_s = a_door(), 50 * A_MONTH_S
    secret = await door.enter("jo", PASSWORD, HOME, at(began_s))
    assert door.visitor(secret, began_s + HALF_A_DAY_S - 1) is not None
    assert door.visitor(secret, began_s + 2 * HALF_A_DAY_S - 1) is None
    secret = await door.enter("jo", PASSWORD, HOME, at(began_s))
    for step in range(1, 61):
        assert door.visitor(secret, began_s + step * (HALF_A_DAY_S - 1)) is not None
    assert door.visitor(secret, began_s + A_MONTH_S - 1) is not None
    assert door.visitor(secret, began_s + A_MONTH_S) is None


async def test_who_leaves_is_out_and_others_stay() -> None:
    door = a_door()
    mine, other = [await door.enter("jo", PASSWORD, HOME, at(0.0)) for _ in range(2)]
    door.leave(mine)
    door.leave("nobody's")
    assert door.visitor(mine, 1.0) is None
    assert door.visitor(other, 1.0) is not None


async def test_of_more_than_200_sessions_the_one_that_was_used_least_lately_ends() -> None:
    door = a_door()
    secrets = [await door.enter("jo", PASSWORD, HOME, at(float(n))) for n in range(200)]
    assert all(door.visitor(secret, 1000.0 + n) is not None for n, secret in enumerate(secrets))
    assert door.visitor(secrets[0], 2000.0) is not None, "the first to come is used again"
    await door.enter("vi", PASSWORD, HOME, at(2001.0))
    assert door.visitor(secrets[0], 2002.0) is not None
    assert door.visitor(secrets[1], 2002.0) is None
    assert all(door.visitor(secret, 2002.0) is not None for secret in secrets[2:])


async def test_a_forms_token_is_of_one_session_and_is_not_printed() -> None:
    door = a_door()
    one, other = [await door.enter("jo", PASSWORD, HOME, at(0.0)) for _ in range(2)]
    first, again, second = door.visitor(one, 1.0), door.visitor(one, 2.0), door.visitor(other, 1.0)
    assert first is not None
    assert again is not None
    assert second is not None
    assert first.form_token == again.form_token != second.form_token
    assert (first.name, first.role, first.at_the_box) == ("jo", "operator", False)
    assert first.form_token not in repr(first)


def test_who_sits_at_the_box_is_known_by_the_kernels_name_or_by_none() -> None:
    door = a_door()
    sam, somebody = door.at_the_box("sam"), door.at_the_box()
    assert (sam.name, sam.may_act, sam.at_the_box) == ("sam", True, True)
    assert (somebody.name, somebody.may_act, somebody.at_the_box) == ("", True, False)
    assert somebody.form_token
    assert somebody.form_token != a_door().at_the_box().form_token, "another start, another key"


def test_a_token_is_known_however_its_hash_is_written_and_no_other_token_is() -> None:
    digest = hashlib.sha256(TOKEN.encode()).hexdigest()
    for written in (digest, digest.upper()):
        door = Door({}, {"other": Machine("operator", "0" * 64), "script": Machine("viewer", written)})
        assert door.machine(TOKEN) == Visitor("script", "viewer", "")
        assert door.machine("x" * 43) is None


async def test_other_secrets_are_gone_by_from_then_on() -> None:
    door = a_door()
    jo, vi = [await door.enter(name, PASSWORD, HOME, at(0.0)) for name in ("jo", "vi")]
    door.replaced({"vi": VI, "new": JO}, {"other": Machine("operator", hashlib.sha256(b"x").hexdigest())})
    assert door.people == {"vi", "new"}
    assert door.visitor(jo, 1.0) is None
    assert door.visitor(vi, 1.0) is not None
    assert door.machine(TOKEN) is None
    assert door.machine("x") is not None
    assert await door.enter("new", PASSWORD, HOME, at(1.0))


# ---- passwords


async def test_for_a_name_that_nobody_has_a_password_is_looked_at_as_for_any_other(hasher: Counted) -> None:
    """CWE-208, observable timing: how long it takes tells nobody which names there are."""
    door = a_door()
    assert len(hasher.made) == 1
    with pytest.raises(ShutOut, match="name or password is wrong"):
        await door.enter("nobody", PASSWORD, HOME, at(0.0))
    await guessed(door, HOME, 1)
    assert hasher.held_against == [hasher.made[0], JO.password_argon2]


def test_a_page_without_people_hashes_nothing_at_its_start(hasher: Counted) -> None:
    Door({}, {})
    assert hasher.made == []


async def test_a_wrong_password_is_counted_and_says_no_time() -> None:
    door = a_door()
    assert door.told() == {"wrong_passwords": 0}
    with pytest.raises(ShutOut) as out:
        await door.enter("jo", "no", HOME, at(0.0))
    assert (str(out.value), out.value.again_s) == ("name or password is wrong", 0.0)
    assert door.told() == {"wrong_passwords": 1}


async def test_the_right_password_wipes_out_what_was_wrong_before() -> None:
    door = a_door()
    for _ in range(2):
        await guessed(door, HOME, 4)
        assert await door.enter("jo", PASSWORD, HOME, at(0.0))


async def test_a_lock_holds_to_its_end_and_takes_nobodys_turn() -> None:
    """Who is locked out is told so at once, also where the name is tried from many places and looks are slow."""
    door = a_door()
    await guessed(door, HOME, 5)
    for n in range(5):
        await guessed(door, f"203.0.113.{n}", 1)
    out = await shut(door, HOME, 29.5)
    assert re.fullmatch("too many wrong passwords; try again in [01] s", str(out))
    assert out.again_s == pytest.approx(0.5)


async def test_where_too_many_wait_it_is_said_what_helps_and_for_how_long() -> None:
    door = a_door()
    strangers = [asyncio.ensure_future(door.enter("jo", "no", "203.0.113.9", at(0.0))) for _ in range(60)]
    said = await asyncio.gather(*strangers, return_exceptions=True)
    away = [one for one in said if isinstance(one, ShutOut) and str(one).startswith("many passwords are tried now")]
    assert away
    assert all(one.again_s == 40.0 and "try again in 40 s" in str(one) for one in away)


async def test_a_long_name_is_logged_by_its_first_forty_characters(caplog: pytest.LogCaptureFixture) -> None:
    with pytest.raises(ShutOut):
        await a_door().enter("n" * 100, "no", HOME, at(0.0))
    [line] = [one.getMessage() for one in caplog.records if one.name == "monitor.show.door"]
    assert line.count("n" * 39) == 1
    assert len(line.removeprefix("wrong password for ").partition(" from ")[0]) == 40


# ---- devices that are known


async def test_a_device_that_guesses_is_locked_like_a_place_and_then_counts_by_its_address() -> None:
    """A mark that was stolen gives five guesses more, and no way round the slow path."""
    door = a_door()
    mark = door.device_of("jo")
    await guessed(door, HOME, 5, device=mark)
    await guessed(door, HOME, 4, device=mark)
    assert await door.enter("jo", PASSWORD, HOME, at(29.5), mark), "by its address, with one guess left"
    await guessed(door, HOME, 5, device=mark)
    assert "too many wrong" in str(await shut(door, HOME, 1.0, mark))


async def test_a_locked_device_goes_the_slow_path_of_its_name(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tries, "NAME_EACH_S", 40.0)
    door = a_door()
    mark = door.device_of("jo")
    for n in range(10):
        await guessed(door, f"203.0.113.{n}", 1)
    assert await asyncio.wait_for(door.enter("jo", PASSWORD, HOME, at(0.0), mark), AT_ONCE_S)
    await guessed(door, HOME, 5, device=mark)
    late = asyncio.ensure_future(door.enter("jo", PASSWORD, HOME, at(0.0), mark))
    done, _ = await asyncio.wait([late], timeout=0.2)
    late.cancel()
    await asyncio.gather(late, return_exceptions=True)
    assert not done, "not looked at within the step of 40 s"


def test_marks_differ_and_are_signed_for_one_person() -> None:
    door = a_door()
    marks = {door.device_of("jo") for _ in range(20)}
    assert len(marks) == 20
    for mark in marks:
        name, _, mac = mark.partition(".")
        assert len(name) >= 16, "96 bits, six a character (RFC 4648, 5)"
        assert len(bytes.fromhex(mac)) == 32


def test_texts_are_the_same_or_not_whatever_they_hold() -> None:
    assert same("f" * 64, "f" * 64)
    assert not same("f" * 63, "f" * 64)
    assert not same("\ud800é", "f")
