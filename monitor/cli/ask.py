"""``farpole ask``: everything that one device can tell, decoded."""

import asyncio
import json
import sys
from argparse import Namespace
from collections.abc import Iterator
from dataclasses import asdict, replace
from itertools import groupby
from pathlib import Path
from time import gmtime, strftime
from typing import Any

from monitor.cli.main import BAD_INPUT, FAILED, OK
from monitor.cli.printed import over_the_line
from monitor.daemon.clock import SystemClock
from monitor.daemon.files import load_sheets
from monitor.daemon.recordings import NotARecording, read_recording, write_recording
from monitor.daemon.secrets import credentials_from
from monitor.devices.ask.snmp import Agent, Community, Outcome, User
from monitor.devices.ask.snmp_any import AnyAsker
from monitor.devices.ask.snmp_everything import Everything, everything
from monitor.devices.decode.catalogue import Line, draft, lines, private_columns, proofs
from monitor.devices.decode.columns import Ports
from monitor.devices.decode.interfaces import all_ports
from monitor.devices.decode.power_ethernet import DETECTION
from monitor.devices.decode.raw import Oid, Table, dotted, rows, shown
from monitor.devices.decode.system import SYSTEM
from monitor.plan.datasheets import DeviceSheet, Sheets
from monitor.plan.text import NotRight
from monitor.show.terminal import table as in_columns

_MOST_ROWS = 12


def main(given: Namespace) -> int:
    """Ask or replay, print; status 1 where the device did not answer."""
    try:
        sheets = load_sheets(given.plan)
        sheet_name = _known_sheet(given.datasheet, sheets)
        got, where = _replayed(given.replay) if given.replay else _asked(given)
    except (NotRight, NotARecording, ValueError) as error:
        print(f"farpole: {error}", file=sys.stderr)
        return BAD_INPUT
    if got.outcome is not Outcome.OK:
        print(f"farpole: {where}: {got.outcome.value}: {got.detail}", file=sys.stderr)
        return FAILED
    if given.record:
        write_recording(given.record, where, got, SystemClock().wall_s())
    name = sheet_name or _by_object_id(got.objects, sheets)
    sheet = sheets.devices[name] if name else None
    ports = _ports(got.objects, sheet)
    said = list(lines(got.objects, got.strange, sheet, ports))
    if given.draft:
        when = strftime("%d %B %Y", gmtime(SystemClock().wall_s()))
        given.draft.write_text(draft(got.objects, given.draft.stem, when), encoding="utf-8")
    counts = {state: sum(line.state == state for line in said) for state in ("known", "raw", "garbled")}
    if given.json:
        print(json.dumps(_document(where, name, said, counts, got), ensure_ascii=False))
    else:
        print("\n".join(_text(where, name, said, counts, got, given.all)))
        for column, proof in proofs(sheet, ports, got.objects) if sheet else ():
            unit = proof.conversion.words if proof.conversion else None
            print(f"{column.oid} {column.quantity}: {f'unit proven: {unit}' if unit else proof.question}")
            for other, why in list(proof.struck.items())[:4] if unit else ():
                print(f"    not {other}: {why}")
    return OK


def _known_sheet(name: str | None, sheets: Sheets) -> str | None:
    if name is not None and name not in sheets.devices:
        raise ValueError(f"{name!r} is no datasheet of a device; there are {', '.join(sheets.devices)}")
    return name


def _by_object_id(objects: Table, sheets: Sheets) -> str | None:
    own = objects.get((*SYSTEM, 2, 0))
    said = dotted(own) + "." if isinstance(own, tuple) else ""
    fitting = [
        name for name, sheet in sheets.devices.items() if sheet.object_id and said.startswith(sheet.object_id + ".")
    ]
    return max(fitting, key=lambda name: len(sheets.devices[name].object_id or ""), default=None)


def _ports(objects: Table, sheet: DeviceSheet | None) -> Ports:
    index = all_ports(objects, {}, sheet.port_name if sheet else "{port}")
    poe = tuple(str(row[-1]) for row in rows(objects, DETECTION)) or tuple(sheet.poe_ports if sheet else ())
    return Ports("device", index, poe or tuple(index))


def _asked(given: Namespace) -> tuple[Everything, str]:
    if not given.address:
        raise ValueError("say which device: farpole ask ADDRESS, or --replay FILE")
    host, port = _address(given.address)
    credentials: Community | User
    if given.credentials:
        credentials = credentials_from(given.secrets, given.credentials)
    elif given.community:
        credentials = Community(given.community, 1 if given.v1 else 2)
    else:
        raise ValueError("say as whom to ask: --community C, or --credentials NAME --secrets FILE")
    return asyncio.run(_walk(Agent(host, port, credentials, 2.0, 2))), given.address


def _address(said: str) -> tuple[str, int]:
    """ADDRESS, ADDRESS:PORT, or [IPV6]:PORT."""
    if said.startswith("["):
        host, _, port = said[1:].partition("]")
        port = port.lstrip(":")
    elif said.count(":") == 1:
        host, port = said.split(":")
    else:
        host, port = said, ""
    if port and not (port.isdecimal() and 0 < int(port) < 65536):
        raise ValueError(f"{said!r}: {port!r} is no port")
    return host, int(port or 161)


async def _walk(agent: Agent) -> Everything:
    asker = AnyAsker()

    def progress(count: int, at: Oid) -> None:
        if sys.stderr.isatty():
            over_the_line(f"{count:,} objects, at {dotted(at)[:60]:60}")

    try:
        return await everything(asker, agent, progress)
    finally:
        asker.close()
        if sys.stderr.isatty():
            over_the_line(" " * 90)
            over_the_line("")


def _replayed(file: Path) -> tuple[Everything, str]:
    return read_recording(file)


def _document(
    where: str, sheet: str | None, said: list[Line], counts: dict[str, int], got: Everything
) -> dict[str, Any]:
    objects = [{**asdict(line), "oid": dotted(line.oid)} for line in said]
    return {
        "device": where,
        "datasheet": sheet,
        "received": got.received,
        **counts,
        "requests": got.requests,
        "notes": got.notes,
        "objects": objects,
    }


def _text(
    where: str, sheet: str | None, said: list[Line], counts: dict[str, int], got: Everything, whole: bool
) -> Iterator[str]:
    described = shown(got.objects.get((*SYSTEM, 1, 0), b"it does not say what it is"))
    yield f"{where}: {described}"
    yield f"read by the datasheet {sheet}" if sheet else "no datasheet claims this device: private objects stay raw"
    for source, of_source in groupby((line for line in said if line.state == "known"), lambda line: line.source):
        yield from _source(source, list(of_source), whole)
    garbled = [line for line in said if line.state == "garbled"]
    if garbled:
        yield from _group("garbled", [replace(line, row=f"{line.name} {line.row}".strip()) for line in garbled], whole)
    raw = {line.oid[:-1] for line in said if line.state == "raw"}
    columns = [one for one in private_columns(got.objects) if one.oid in raw]
    if columns:
        yield ""
        yield "private columns  (write a datasheet with --draft FILE)"
        shown_columns = columns if whole else columns[: 2 * _MOST_ROWS]
        yield from in_columns([(dotted(one.oid), f"{len(one.rows)} rows", one.examples[:70]) for one in shown_columns])
        if len(columns) > len(shown_columns):
            yield f"  … {len(columns) - len(shown_columns)} more; --all shows them"
    yield ""
    yield from (f"note: {note}" for note in got.notes)
    yield (
        f"{got.received:,} objects received: {counts['known']:,} known, {counts['raw']:,} kept raw, "
        f"{counts['garbled']:,} garbled"
    )


def _source(source: str, known: list[Line], whole: bool) -> Iterator[str]:
    """A table's columns each, and before them what stands alone."""
    single = [line for line in known if not line.row]
    if single:
        yield ""
        yield source
        yield from in_columns([(line.name, _value(line), dotted(line.oid)) for line in single])
    for name, group in groupby((line for line in known if line.row), lambda line: line.name):
        yield from _group(f"{name}, {source}", list(group), whole)


def _group(title: str, group: list[Line], whole: bool) -> Iterator[str]:
    yield ""
    yield title
    kept = group if whole else group[:_MOST_ROWS]
    yield from in_columns([(line.row, _value(line), line.why or dotted(line.oid)) for line in kept])
    if len(group) > len(kept):
        yield f"  … {len(group) - len(kept)} more; --all shows them"


def _value(line: Line) -> str:
    if isinstance(line.value, float):
        number = f"{line.value:,.0f}" if line.value.is_integer() else f"{line.value:,.3f}".rstrip("0")
        return f"{number} {line.unit}".strip()
    return str(line.value)[:60]
