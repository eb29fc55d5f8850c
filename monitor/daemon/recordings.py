"""Recordings of a device's raw answers: one JSON object a line, so that a device can be decoded without its network."""

import json
from pathlib import Path
from typing import Any

from monitor.devices.ask.snmp import Outcome
from monitor.devices.ask.snmp_everything import Everything
from monitor.devices.decode.raw import Oid, Raw, Unread, dotted, oid

_KIND = "farpole recording 1"
_MOST_BYTES = 50_000_000


class NotARecording(ValueError):
    """The file cannot be read as a recording; the message names line and reason."""


def write_recording(file: Path, where: str, got: Everything, at_s: float) -> None:
    """Write everything that came, in its order; never a password."""
    head = {"kind": _KIND, "device": where, "at_s": at_s, "notes": got.notes}
    body = [{"oid": dotted(name), **_written(raw)} for name, raw in got.objects.items()]
    body += [{"oid": dotted(name), **_written(raw), "strange": why} for name, raw, why in got.strange]
    file.write_text("\n".join(json.dumps(line, ensure_ascii=False) for line in (head, *body)) + "\n", encoding="utf-8")


def _written(raw: Raw) -> dict[str, Any]:
    if isinstance(raw, Unread):
        return {"unread": raw.octets.hex(), "tag": raw.tag, "why": raw.why}
    if isinstance(raw, bytes):
        return {"octets": raw.hex()}
    return {"name": dotted(raw)} if isinstance(raw, tuple) else {"number": raw}


def read_recording(file: Path) -> tuple[Everything, str]:
    """A recording, and the device that it is of; raises NotARecording."""
    try:
        if file.stat().st_size > _MOST_BYTES:
            raise NotARecording(f"{file}: larger than {_MOST_BYTES // 1_000_000} MB")
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise NotARecording(f"{file}: cannot be read: {error}") from None
    got, where = Everything(Outcome.OK), ""
    for number, line in enumerate(text.splitlines(), 1):
        try:
            one = json.loads(line)
            if number == 1:
                if one["kind"] != _KIND:
                    raise ValueError(f"kind is {one['kind']!r}, not {_KIND!r}")
                where, got.notes = str(one["device"]), [str(note) for note in one["notes"]]
                continue
            name, raw = _read(one)
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise NotARecording(f"{file}:{number}: not a line of a recording ({error})") from None
        if "strange" in one:
            got.strange.append((name, raw, str(one["strange"])))
        else:
            got.objects[name] = raw
    if not where:
        raise NotARecording(f"{file}: is empty")
    return got, where


def _read(one: dict[str, Any]) -> tuple[Oid, Raw]:
    name = oid(one["oid"])
    if "octets" in one:
        return name, bytes.fromhex(one["octets"])
    if "name" in one:
        return name, oid(one["name"])
    if "unread" in one:
        return name, Unread(int(one["tag"]), bytes.fromhex(one["unread"]), str(one["why"]))
    return name, int(one["number"])
