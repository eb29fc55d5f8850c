"""``farpole ask`` as a user runs it: against a real snmpd, and from a recording of its own."""

import json
from pathlib import Path

import pytest

from monitor.cli.main import main
from monitor.daemon.recordings import NotARecording, read_recording, write_recording
from monitor.devices.ask.snmp import Outcome
from monitor.devices.ask.snmp_everything import Everything
from monitor.devices.decode.raw import Unread, oid
from monitor.plan.datasheets import read_sheets

PRIVATE = oid("1.3.6.1.4.1.32473.5.1.1.2")


def recording(file: Path) -> Path:
    got = Everything(Outcome.OK, notes=["it stopped once"])
    got.objects = {
        oid("1.3.6.1.2.1.1.1.0"): b"switch \x1b[31mred\x1b[0m" + "\u202e".encode(),
        oid("1.3.6.1.2.1.1.2.0"): oid("1.3.6.1.4.1.32473.5"),
        oid("1.3.6.1.2.1.1.3.0"): 4242,
        **{(*oid("1.3.6.1.2.1.2.2.1.3"), row): 6 for row in (1, 2)},
        **{(*oid("1.3.6.1.2.1.31.1.1.1.1"), row): b"port%d" % row for row in (1, 2)},
        **{(*oid("1.3.6.1.2.1.2.2.1.8"), row): row for row in (1, 2)},
        (*PRIVATE, 1): 62,
        (*PRIVATE, 2): 99_999,
        oid("1.3.6.1.4.1.32473.99.1.0"): b"\x00\xff",
        oid("1.3.6.1.4.1.32473.99.2.0"): Unread(0x42, b"", "a number of 0 octets"),
    }
    got.strange = [(oid("1.3.6.1.2.1.1.9.0"), 5, "it came out of order")]
    write_recording(file, "10.20.0.21", got, 1_790_000_000.0)
    return file


def test_a_recording_comes_back_as_it_was(tmp_path: Path) -> None:
    got, where = read_recording(recording(tmp_path / "a.rec"))
    assert where == "10.20.0.21"
    assert got.objects[*PRIVATE, 1] == 62
    assert got.objects[oid("1.3.6.1.4.1.32473.99.2.0")] == Unread(0x42, b"", "a number of 0 octets")
    assert got.strange[0][2] == "it came out of order"
    assert got.notes == ["it stopped once"]


def test_every_object_once_and_the_three_counts_add_up(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = recording(tmp_path / "a.rec")
    assert main(["ask", "--replay", str(file), "--datasheet", "outdoor-poe-5", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["known"] + document["raw"] + document["garbled"] == document["received"] == 14
    assert len({one["oid"] for one in document["objects"]}) == 14
    by_oid = {one["oid"]: one for one in document["objects"]}
    watts = by_oid["1.3.6.1.4.1.32473.5.1.1.2.1"]
    assert (watts["value"], watts["unit"], watts["state"]) == (6.2, "W", "known")
    impossible = by_oid["1.3.6.1.4.1.32473.5.1.1.2.2"]
    assert impossible["state"] == "garbled"
    assert "cannot be" in impossible["why"]
    assert by_oid["1.3.6.1.2.1.2.2.1.8.2"]["value"] == "down"
    assert by_oid["1.3.6.1.4.1.32473.99.1.0"]["state"] == "raw"
    assert all(one["why"] for one in document["objects"] if one["state"] == "garbled")


def test_text_from_a_device_cannot_act_on_the_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ask", "--replay", str(recording(tmp_path / "a.rec"))]) == 0
    out = capsys.readouterr().out
    assert "14 objects received: 9 known" in out
    assert "\x1b" not in out
    assert "\u202e" not in out


def test_a_draft_is_a_datasheet_that_can_be_read(tmp_path: Path) -> None:
    file = tmp_path / "my-switch.yaml"
    assert main(["ask", "--replay", str(recording(tmp_path / "a.rec")), "--draft", str(file)]) == 0
    text = file.read_text()
    sheets = read_sheets({"my-switch.yaml": text})
    assert sheets.devices["my-switch"].object_id == "1.3.6.1.4.1.32473.5"
    assert sheets.devices["my-switch"].mibs == ["if-mib"]
    uncommented = text.replace("    columns: []\n", "    columns:\n").replace("    #  - {", "      - {")
    sheets = read_sheets({"my-switch.yaml": uncommented})
    assert sheets.devices["my-switch"].columns[0].oid == "1.3.6.1.4.1.32473.5.1.1.2"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["ask"], "which device"),
        (["ask", "10.0.0.1"], "--community"),
        (["ask", "10.0.0.1:x", "--community", "c"], "no port"),
        (["ask", "10.0.0.1", "--community", "c", "--datasheet", "nothing"], "no datasheet"),
        (["ask", "10.0.0.1", "--credentials", "mine"], "secrets.mine"),
        (["ask", "--replay", "/nowhere"], "cannot be read"),
    ],
)
def test_bad_input_is_said_and_is_status_2(arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments) == 2
    assert said in capsys.readouterr().err


@pytest.mark.parametrize(
    "text",
    ["", "not json", '{"kind": "other"}', '{"kind": "farpole recording 1", "device": "x", "notes": []}\n{"oid": 5}'],
)
def test_what_is_no_recording_is_said_with_its_line(tmp_path: Path, text: str) -> None:
    file = tmp_path / "x"
    file.write_text(text)
    with pytest.raises(NotARecording, match=str(file)):
        read_recording(file)
