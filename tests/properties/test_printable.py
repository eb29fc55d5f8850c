"""Whatever a device or a person writes: through each door it comes out as one printable line.

ECMA-48 (control characters, escape sequences) and UAX #9 (marks that turn the order of writing) say what is meant.
"""

import io
import json
import logging
import sys
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.cli import note as note_command
from monitor.cli.main import main
from monitor.daemon.logs import OneLine
from monitor.devices.ask import http as post
from monitor.devices.decode import frames, raw, rtsp, ws_discovery
from monitor.facts.words import ENGLISH, say
from monitor.notify import mail
from monitor.plan.parts import Load
from monitor.show.api import Act, Drilling, Note, Shelving, Switching, TurnUp
from monitor.show.paper import Writer
from monitor.show.rendering import environment
from monitor.show.who import kept_as
from tests.properties.hostile import HOSTILE, WORST, unseen
from tests.show.test_who import SAM_AT_THE_BOX

OCTETS = st.one_of(st.binary(max_size=600), HOSTILE.map(str.encode))


@given(OCTETS)
def test_text_of_a_device(octets: bytes) -> None:
    """sysName, ifAlias, LLDP's names and whatever else is an OctetString."""
    assert unseen(raw.text(octets)) == []
    assert len(raw.text(octets)) <= 120


@given(OCTETS)
def test_a_frame_of_lldp(name: bytes) -> None:
    def tlv(kind: int, value: bytes) -> bytes:
        return (kind << 9 | len(value)).to_bytes(2, "big") + value

    ids = tlv(1, b"\x07" + name[:200]) + tlv(2, b"\x07" + name[:200])
    heard = frames.lldp(b"\1" * 12 + b"\x88\xcc" + ids + tlv(5, name[:500]) + tlv(6, name[:500]) + tlv(0, b""))
    assert unseen(heard.chassis + heard.port + heard.name + heard.words) == []


@given(HOSTILE)
def test_what_a_refusal_quotes(said: str) -> None:
    for kind in (raw.Garbled, raw.Absent, post.NoAnswer):
        assert unseen(str(kind(f"it says {said}"))) == []


@given(OCTETS)
def test_the_answers_of_cameras(octets: bytes) -> None:
    with pytest.raises(raw.Garbled) as refused:
        list(rtsp.Conversation().feed(b"RTSP/9.9 " + octets + b"\r\n\r\n"))
    assert unseen(str(refused.value)) == []


@given(HOSTILE)
def test_what_a_discovered_device_calls_itself(said: str) -> None:
    for one in ws_discovery._clean(said), ws_discovery._scope([f"onvif://www.onvif.org/name/{said}"], "name"):
        assert unseen(one) == []


@given(HOSTILE)
def test_names_and_words_of_a_plan(said: str) -> None:
    made = Load.model_validate(
        {"name": "gate", "port": said, "kind": "other", "poe_class": 3, "watts": 1, "cable_m": 9}
    )
    assert unseen(str(made)) == []


BODIES: list[tuple[Any, dict[str, Any]]] = [
    (Act, {"resource": "x", "type": "x", "operator": "ack"}),
    (Note, {"place": "x", "text": "x"}),
    (Switching, {"pole": "x", "port": "x", "why": "xxx", "confirmed": True}),
    (Drilling, {"pole": "x"}),
    (TurnUp, {"pole": "x"}),
    (Shelving, {"resource": "x"}),
]


@given(HOSTILE.map(lambda text: f"xxx{text[:30]}"))
def test_every_text_that_the_api_takes(said: str) -> None:
    for model, least in BODIES:
        texts = [name for name, about in model.model_fields.items() if about.annotation is str]
        assert texts
        made = model.model_validate(least | dict.fromkeys(texts, said))
        for name in texts:
            assert unseen(getattr(made, name)) == [], (model, name)


@given(HOSTILE)
def test_a_name_that_is_kept(said: str) -> None:
    assert unseen(kept_as(SAM_AT_THE_BOX, said)) == []


@given(HOSTILE)
def test_a_page_and_paper(said: str) -> None:
    """Also of what was kept before it was cleaned on its way in."""
    page = environment(ENGLISH).from_string("{{ a }}{{ b }}{{ c | said }}")
    shown = page.render(a=said, b=say("{who} was here", who=said), c=say("{who}", who=said))
    assert unseen(shown, keep="\n\t\r") == []
    assert unseen(Writer(ENGLISH).said(said)) == []


@given(HOSTILE)
def test_what_a_mail_server_answers(said: str) -> None:
    assert unseen(mail._printable(said)) == []


@given(HOSTILE)
def test_a_line_of_the_log(said: str) -> None:
    record = logging.LogRecord("x", logging.WARNING, "x", 1, "it says %s", (said,), None)
    assert unseen(OneLine("%(levelname)s %(message)s").format(record)) == []


def test_a_traceback_in_the_log_is_printable() -> None:
    try:
        raise ValueError(WORST)
    except ValueError:
        record = logging.LogRecord("x", logging.ERROR, "x", 1, "it failed", (), sys.exc_info())
    told = OneLine("%(message)s").format(record)
    assert "Traceback" in told
    assert unseen(told.replace("\r\n", "\n"), keep="\n") == []


@settings(max_examples=30)
@given(HOSTILE, st.booleans())
def test_what_a_command_prints(said: str, as_json: bool) -> None:
    """By the whole command: the daemon's answer is hostile, standard output is not."""
    notes = [{"at_s": 0.0, "resource": "creek", "text": said, "who": said}]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(note_command, "call", lambda *_, **__: notes)
        out = io.StringIO(newline="")
        patch.setattr(sys, "stdout", out)
        assert main(["note", *(["--json"] if as_json else [])]) == 0
    assert unseen(out.getvalue(), keep="\n\t") == []
    assert not as_json or json.loads(out.getvalue())[0]["resource"] == "creek"


def test_what_a_command_says_of_a_refusal(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["why", "creek", "--evidence", WORST.replace("\0", "")]) != 0
    err = capsys.readouterr().err
    assert "no alarm stands" in err
    assert unseen(err.replace("\r\n", "\n"), keep="\n") == []
