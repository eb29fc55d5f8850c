"""Observables as a file of evidence names them → signs and contexts. Whatever is null or left out is not known.

The names are short forms of the trade: ``U`` link at the head-end port, ``rxH``/``rxP`` light at head-end and pole
against its own baseline [dB], ``I`` feeder amperes, and so on; ``EVERY`` lists them with what each may say. Signs may
also be given by their own names, as true, false or null.
"""

import difflib
from collections.abc import Callable, Mapping
from typing import Any, Final

from monitor.alarms.signs import CONTEXTS, SIGNS

Found = dict[str, bool | None]

FELL_DB, UNEQUAL_DB = -0.5, 0.5
HOT_C = 70.0
"""Where a commercial optic ends: SFF-8472 leaves it to the module; 70 °C is the common case temperature limit."""
LOW_VOLTS = 46.0
"""2 V above the least that a type 1 power source may give: IEEE 802.3 table 33-11, 44 V."""
NEXT_TO_NOTHING_OCTETS_PER_S = 2000.0
HIGH_SHARE, GONE_SHARE = 1.3, 0.3


class Misread(ValueError):
    """An observable that says what it cannot; the message names it and what it may say."""


def _word(words: Mapping[str, Found], numbers: Callable[[float], Found] | None = None) -> Callable[[Any], Found]:
    """A reader of words, of true and false (as yes and no), and of numbers."""

    def read(value: Any) -> Found:
        if isinstance(value, bool):
            value = "yes" if value else "no"
        if isinstance(value, int | float):
            if numbers is None:
                raise Misread(f"a number means nothing here; it may be {', '.join(words)}")
            return numbers(float(value))
        if str(value).lower() not in words:
            more = " or a number" if numbers else ""
            raise Misread(f"{value!r} is not known; it may be {', '.join(words)}{more}")
        return words[str(value).lower()]

    return read


def _light(sign: str, dark: Found) -> Callable[[Any], Found]:
    words: dict[str, Found] = {"normal": {sign: False}, "low": {sign: True}, "falling": {sign: True, "gradual": True}}
    words |= {"comes and goes": {"light_comes_and_goes": True}, "dark": dark, "none": dark, "no light": dark}
    return _word(words, lambda db: {sign: db <= FELL_DB})


def _flag(sign: str, unseen: bool = True) -> Callable[[Any], Found]:
    yes: Found = {sign: True}
    no: Found = {sign: False if unseen else None}
    words = {"yes": yes, "no": no, "rising": yes, "normal": no, "steady": no}
    return _word(words, lambda n: yes if n > 0 else no)


def _rises(sign: str, numbers: Callable[[float], Found]) -> Callable[[Any], Found]:
    words: dict[str, Found] = {"rising": {sign: True, "gradual": True}, "yes": {sign: True}}
    return _word({**words, **dict.fromkeys(("normal", "baseline", "no"), {sign: False})}, numbers)  # noqa: RUF024  # read only


_CURRENT_GONE: Final[Found] = {"current_gone": True, "current_high": False}


def _amperes(value: Any) -> Found:
    if isinstance(value, dict):
        before, now = value.get("before"), value.get("now")
        if before is None or now is None or before <= 0:
            return {}
        return {"current_gone": now < GONE_SHARE * before, "current_high": now > HIGH_SHARE * before}
    gone = _CURRENT_GONE
    words: dict[str, Found] = {
        "gone": gone,
        "zero": gone,
        "unchanged": {"current_gone": False, "current_high": False},
        "normal": {"current_gone": False, "current_high": False},
        "high": {"current_gone": False, "current_high": True},
    }
    return _word(words, lambda n: gone if n < 0.05 else {"current_gone": False})(value)


def _volts() -> Callable[[Any], Found]:
    wrong: Found = {"supply_wrong": True}
    return _word(
        {
            "normal": {"volts_low": False, "volts_follow_load": False},
            "low": {"volts_low": True},
            "follows load": {"volts_follow_load": True, "volts_low": True},
            "low at night": {"volts_follow_load": True, "volts_low": True, "at_night": True},
            "noisy": wrong,
            "high": wrong,
            "low everywhere": {"supply_wrong": True, "volts_low": True},
        },
        lambda n: {"volts_low": n < LOW_VOLTS},
    )


_PORT_STATES: Final[dict[int, Found]] = {
    1: {"port_dead": True, "port_fault": False},
    2: {"port_dead": True, "port_fault": False},
    3: {"port_dead": False, "port_fault": False},
    4: {"port_fault": True, "port_dead": True},
    6: {"port_fault": True, "port_dead": True},
}
_SCOPES: Final[dict[str, Found]] = {
    "port": {"pole_silent": False, "siblings_lost": False, "all_lost": False, "one_port": True},
    "ports": {"pole_silent": False, "siblings_lost": False, "one_port": False, "several_ports": True},
    "pole": {"siblings_lost": False, "all_lost": False},
    "feeder": {"siblings_lost": True, "all_lost": False},
    "supply": {"siblings_lost": True, "all_lost": False},
    "all": {"siblings_lost": True, "all_lost": True},
}
_SHAPES: Final[dict[str, Found]] = {
    "s": {"gradual": False},
    "r": {"gradual": True},
    "d": {"at_night": True},
    "w": {"with_wet": True},
    "x": {"light_comes_and_goes": True},
}

EVERY: Final[dict[str, tuple[str, Callable[[Any], Found]]]] = {
    "U": (
        "link at the head-end port: up or down",
        _word({w: {"link_down": d} for w, d in (("up", False), ("yes", False), ("down", True), ("no", True))}),
    ),
    "rxH": ("light at the head-end less its baseline [dB], or dark", _light("light_near_fell", {"link_down": True})),
    "rxP": ("light at the pole less its baseline [dB]", _light("light_far_fell", {"light_far_fell": True})),
    "txP": ("the pole optic's light less its baseline [dB]", _light("tx_fell", {"tx_fell": True})),
    "bP": ("the pole optic's bias less its baseline [%]", _rises("bias_rose", lambda n: {"bias_rose": n > 10})),
    "tP": (
        "the pole optic's temperature [°C]",
        _word(
            {
                "hot": {"optic_hot": True},
                "normal": {"optic_hot": False},
                "yes": {"optic_hot": True},
                "no": {"optic_hot": False},
            },
            lambda n: {"optic_hot": n > HOT_C},
        ),
    ),
    "fH": ("check-sum errors at the head-end [1/s]", _flag("frame_errors")),
    "fP": ("check-sum errors at the pole [1/s]", _flag("frame_errors")),
    "ag": (
        "the switch's agent: yes, no, slow",
        _word(
            {
                "yes": {"agent_silent": False, "agent_slow": False},
                "no": {"agent_silent": True},
                "slow": {"agent_silent": False, "agent_slow": True},
            }
        ),
    ),
    "upt": (
        "uptime after return: continued or reset",
        _word({"continued": {"restarted": False}, "reset": {"restarted": True}, "restarted": {"restarted": True}}),
    ),
    "V": ("volts at the pole [V], or low, normal, noisy, follows load", _volts()),
    "I": ("feeder amperes [A], or gone, unchanged, high, or {before, now}", _amperes),
    "R": ("loop resistance above its baseline [Ω], or rising", _rises("loop_rose", lambda n: {"loop_rose": n > 0.3})),
    "pW": (
        "port watts, or zero, normal, saw-tooth",
        _word(
            {
                "zero": {"port_dead": True},
                "normal": {"port_dead": False, "watts_saw_tooth": False},
                "saw-tooth": {"watts_saw_tooth": True},
            },
            lambda n: {"port_dead": n < 0.3},
        ),
    ),
    "pS": (
        "port state: delivering, searching, fault, off, or RFC 3621's number",
        _word(
            {
                "delivering": _PORT_STATES[3],
                "searching": _PORT_STATES[2],
                "off": _PORT_STATES[1],
                "fault": _PORT_STATES[4],
            },
            lambda n: _PORT_STATES.get(int(n), {}),
        ),
    ),
    "cOv": ("overloads counted", _flag("overloads")),
    "cSh": ("shorts counted", _flag("shorts")),
    "cDn": ("denials counted", _flag("denials")),
    "cMp": ("MPS absent counted", _flag("mps_lost")),
    "cIv": ("invalid signatures counted", _flag("class_changed", unseen=False)),
    "spd": (
        "port speed [Mb/s], or fell, normal",
        _word(
            {"fell": {"port_slow": True}, "down": {"port_slow": True}, "normal": {"port_slow": False}},
            lambda n: {"port_slow": n < 100},
        ),
    ),
    "err": (
        "errors at the port [1/s], or rising, late collisions",
        _word(
            {
                "rising": {"port_errors": True},
                "yes": {"port_errors": True},
                "no": {"port_errors": False},
                "normal": {"port_errors": False},
                "wet only": {"port_errors": True, "with_wet": True},
                "late collisions": {"port_errors": True, "late_collisions": True},
            },
            lambda n: {"port_errors": n > 0},
        ),
    ),
    "ic": ("ICMP answers: yes, no", _word({"yes": {"ping_lost": False}, "no": {"ping_lost": True}})),
    "rt": ("RTSP answers: yes, no", _word({"yes": {"stream_lost": False}, "no": {"stream_lost": True}})),
    "by": (
        "octets a second from the port, or zero, normal",
        _word(
            {
                "zero": {"few_octets": True},
                "no": {"few_octets": True},
                "normal": {"few_octets": False},
                "yes": {"few_octets": False},
            },
            lambda n: {"few_octets": n < NEXT_TO_NOTHING_OCTETS_PER_S},
        ),
    ),
    "fr": (
        "frames: changing or constant",
        _word(
            {
                "changing": {"picture_still": False},
                "yes": {"picture_still": False},
                "constant": {"picture_still": True},
                "no": {"picture_still": True},
            }
        ),
    ),
    "sc": ("scope: port, ports, pole, feeder, all", _word(_SCOPES)),
    "gasp": ("the switch's last word was that its power was going", _flag("gasped")),
    "breaker": (
        "the protection's contact: open or closed",
        _word(
            {
                "open": {"breaker_open": True},
                "yes": {"breaker_open": True},
                "closed": {"breaker_open": False},
                "no": {"breaker_open": False},
            }
        ),
    ),
}
"""Observable → what it says, and its reader."""


def read(evidence: Mapping[str, Any]) -> tuple[Found, dict[str, bool | None]]:
    """Signs and contexts of a file of evidence; raises Misread with the field's name."""
    signs: Found = {}
    contexts: dict[str, bool | None] = {}
    for name, value in evidence.items():
        if name in ("ctx", "shape"):
            for word in _listed(name, value):
                found = _SHAPES.get(word.lower()) if name == "shape" else {word: True} if word in CONTEXTS else None
                if found is None:
                    known = ", ".join(_SHAPES if name == "shape" else CONTEXTS)
                    raise Misread(f"{name}: {word!r} is not known; known are {known}")
                (signs if name == "shape" else contexts).update(found)
            continue
        if name not in EVERY and name not in SIGNS:
            near = difflib.get_close_matches(name, [*EVERY, *SIGNS, "ctx", "shape"], 1)
            raise Misread(f"{name}: no such observable" + (f"; did you mean {near[0]}?" if near else ""))
        if value is None:
            continue
        if name in SIGNS:
            if not isinstance(value, bool):
                raise Misread(f"{name}: {value!r} is not true, false or null")
            signs[name] = value
            continue
        try:
            signs.update(EVERY[name][1](value))
        except Misread as error:
            raise Misread(f"{name}: {error}") from None
    return _joined(signs, evidence), contexts


def _listed(name: str, value: Any) -> list[str]:
    value = value or []
    if isinstance(value, dict):
        return [str(word) for word, so in value.items() if so]
    if isinstance(value, str):
        return [word.strip() for word in value.split(",") if word.strip()]
    if isinstance(value, list):
        return [str(word) for word in value]
    raise Misread(f"{name}: {value!r} is neither a list of words nor one word")


def _joined(signs: Found, evidence: Mapping[str, Any]) -> Found:
    """What follows from several observables together."""
    near, far = evidence.get("rxH"), evidence.get("rxP")
    numbers = [value for value in (near, far) if isinstance(value, int | float) and not isinstance(value, bool)]
    if len(numbers) == 2 and max(numbers) <= FELL_DB:
        signs.setdefault("light_unequal", abs(numbers[0] - numbers[1]) > UNEQUAL_DB)
    dark, pings = signs.get("link_down") and signs.get("agent_silent"), signs.get("ping_lost")
    if dark and pings is not False and evidence.get("sc") in (None, "pole", "feeder", "supply", "all"):
        signs.setdefault("pole_silent", True)
    elif signs.get("agent_silent") is False or pings is False:
        signs.setdefault("pole_silent", False)
    if signs.get("pole_silent") is True:
        # What lies behind a silent pole is unknown, not failed.
        for name in ("ping_lost", "stream_lost", "few_octets", "picture_still", "port_link_lost", "port_dead"):
            signs[name] = None
    return signs
