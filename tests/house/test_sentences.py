"""Sentences are for people: nothing is decided by one."""

from pathlib import Path

import pytest

from tests.house.sentences import decides

ROOT = Path(__file__).parents[2]
PROTOCOL = "what a device or another program says by its protocol, which is read here"
ASKED = "what somebody has typed or written into a setting, which is read here"
EARLIER = "what histories of before have in words only, read once where it comes in"
NUMBERS = "numbers under a name of sentences"
COMES_ONCE = "the same text is not logged twice; nothing else follows from it"
MAY_LOOK = {
    "monitor/alarms/cause.py: _told": "a set of signs' names",
    "monitor/alarms/observables.py: _word.read": "the fixed words that an observable may be given as (campaigns)",
    "monitor/alarms/shelves.py: until_of": ASKED,
    "monitor/alarms/silence.py: _impacted": "resources under a name of sentences",
    "monitor/centre/ingest.py: Ingester._say_no": COMES_ONCE,
    "monitor/centre/line.py: Line._error": COMES_ONCE,
    "monitor/centre/parcel.py: opened": PROTOCOL,
    "monitor/centre/ports.py: site_of": "a subject of NATS, which is an address",
    "monitor/cli/ask.py: _by_object_id": PROTOCOL,
    "monitor/cli/ask.py: _address": ASKED,
    "monitor/cli/files.py: slot_of": ASKED,
    "monitor/cli/files.py: moment": ASKED,
    "monitor/cli/files.py: _import": ASKED,
    "monitor/daemon/backlog.py: Backlog.left": "whole messages, as records",
    "monitor/daemon/demo.py: Demo._took": "the demo prints what it is sent, line by line",
    "monitor/daemon/logs.py: Limited._say": "the first line of a kind of message is shown; nothing follows from it",
    "monitor/daemon/mending.py: Mending._told": "file → what was wrong with it: the name is looked up",
    "monitor/daemon/page.py: page_of": ASKED,
    "monitor/daemon/recordings.py: read_recording": PROTOCOL,
    "monitor/devices/ask/snmp_wire.py: Wire._report": NUMBERS,
    "monitor/devices/decode/entity_sensor.py: _meaning": "a sensor has no other sign of what it measures: ENTITY-MIB",
    "monitor/devices/decode/frames.py: lldp": "TLVs by their types",
    "monitor/devices/decode/kinds.py: enumerated.read": "number → word: the number is looked up",
    "monitor/devices/decode/raw.py: oid": PROTOCOL,
    "monitor/devices/decode/registers.py: next_model": NUMBERS,
    "monitor/devices/decode/saying.py: read_text": PROTOCOL,
    "monitor/devices/decode/saying.py: saying.convert": PROTOCOL,
    "monitor/devices/found.py: devices": "address → what it says: the address is looked up",
    "monitor/facts/printable.py: one_line": "makes any text printable; nothing follows from it",
    "monitor/facts/printable.py: lines": "makes any text printable; nothing follows from it",
    "monitor/history/fitting.py: _value_fits": "the fixed words that a column may hold",
    "monitor/history/old_words.py: _signs": EARLIER,
    "monitor/history/old_words.py: _impacted": EARLIER,
    "monitor/history/pages.py: record": "the length of a record's body, in octets",
    "monitor/plan/datasheets.py: read_sheets": ASKED,
    "monitor/plan/text.py: parse": "does a plan's YAML use aliases at all, to be counted",
    "monitor/plan/proposal.py: _with_mac": "the text of a plan, changed where it stands",
    "monitor/show/budget_text.py: _lengths": "lengths are written in feet in the place of metres; nothing is decided",
    "monitor/show/who.py: kept_as": ASKED,
    "monitor/simulation/camera.py: Camera.rtsp": PROTOCOL,
    "monitor/simulation/discovery.py: Discovery.datagram_received": PROTOCOL,
}
"""File and function that may look into what is named like a sentence, and why."""


def found() -> dict[str, list[str]]:
    """Where the program looks into sentences: file and function → the places."""
    places: dict[str, list[str]] = {}
    for path in sorted((ROOT / "monitor").rglob("*.py")):
        name = str(path.relative_to(ROOT))
        for one in decides(path.read_text(encoding="utf-8")):
            places.setdefault(f"{name}: {one.function}", []).append(f"{name}:{one.line}: {one.code}")
    return places


def test_nothing_decides_by_a_sentence() -> None:
    forbidden = [place for where, some in found().items() if where not in MAY_LOOK for place in some]
    assert forbidden == [], "put a typed fact beside the sentence and decide by that (DEVELOPERS.md, Conventions)"


def test_no_leave_outlives_what_it_was_given_for() -> None:
    assert set(MAY_LOOK) <= found().keys()


@pytest.mark.parametrize(
    "line",
    [
        'any(word in alarm.text for word in ("short", "overload"))',
        "pole.name in changes[0].text",
        'note.startswith("it was power")',
        'verdict.reason == "the margin is used up"',
        '"tooBig" in answer.detail',
        're.fullmatch(r"noSuchName at object", answer.detail)',
        'said.words == "dying gasp"',
        'first.subject.partition(":")[0]',
        "first.text.lower().startswith(resources.tail_of(resource))",
        'row["reason"] != "no drift"',
        'PATTERN.search(str(alarm["text"]))',
        'next((c.note for c in changes), "").endswith("gone")',
        'say("it was power") == line',
        'line == settle(True) or listed(parts).find("power") > 0',
        '(alarm.settled or "").split(";")',
        'verdict.why in ("a", "b")',
    ],
)
def test_each_way_of_looking_is_found(line: str) -> None:
    assert len(list(decides(f"def f():\n    return {line}\n"))) == 1


@pytest.mark.parametrize(
    "body",
    [
        "line = alarm.text\n    return line.startswith('it')",
        "told: str = change.note\n    return told == 'it was power'",
        "if (told := alarm.settled):\n        return 'power' in told",
        "match verdict.reason:\n        case 'used up': return 1",
    ],
)
def test_under_another_name_it_is_found_as_well(body: str) -> None:
    assert [one.function for one in decides(f"def f():\n    {body}\n")] == ["f"]


@pytest.mark.parametrize(
    "line",
    [
        'alarm.text == ""',
        "alarm.text or kind.meaning",
        "error.reason in (Reason.LOST, Reason.DAMAGED)",
        "ran.why is Why.PORT_CLOSED",
        'say("{what}", what=alarm.text)',
        'alarm.signs & named("shorts")',
        "pole in change.impacted",
    ],
)
def test_facts_may_decide(line: str) -> None:
    assert list(decides(f"def f():\n    return {line}\n")) == []
