"""Records of sites → rows of the centre's tables; only columns that a table has, whatever a stranger sends."""

import base64
import json
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection, LargeBinary, Table, text

from monitor.history import tables as t
from monitor.history.old_words import facts_of_alarm, facts_of_change

SHEETS: dict[str, Table] = {
    table.name: table for table in (t.setting, t.series, t.device_slot, t.layout, t.baseline, t.repair, t.shelf)
}
"""Sheets that are tables here, too; every other sheet is kept as its text alone."""
_TABLES = SHEETS | {table.name: table for table in (t.event, t.alarm, t.alarm_change, t.rollup_day, t.feature_day)}


@lru_cache(64)
def _statement(name: str) -> str:
    table = _TABLES[name]
    columns = [column.name for column in table.columns]
    keys = ["source", *(column.name for column in table.primary_key.columns)]
    others = [column for column in columns if column not in keys]
    # What has happened does not change; what stands is as it was last said.
    then = "NOTHING" if name in ("alarm_change", "event") else None
    then = then or "UPDATE SET " + ", ".join(f'"{one}" = excluded."{one}"' for one in others)
    marks = ", ".join(["%(source)s", *(f"%({column})s" for column in columns)])
    quoted = ", ".join(f'"{one}"' for one in ("source", *columns))
    return f"INSERT INTO centre.{name} ({quoted}) VALUES ({marks}) ON CONFLICT ({', '.join(keys)}) DO {then}"


def put_records(connection: Connection, name: str, source: int, records: Sequence[Mapping[str, Any]]) -> None:
    """Put records into a table; raises KeyError where one lacks a column."""
    columns = [column.name for column in _TABLES[name].columns]
    whole = [_with_facts(name, one) for one in records]
    rows = [{"source": source, **{column: one[column] for column in columns}} for one in whole]
    if rows:
        connection.exec_driver_sql(_statement(name), rows)


def _with_facts(name: str, record: Mapping[str, Any]) -> Mapping[str, Any]:
    """The record, of a site that is still of an older schema with the facts that its words tell."""
    if "settlement" in record:
        return record
    if name == "alarm":
        return {**record, **facts_of_alarm(record["text"], record["settled"])}
    if name == "alarm_change":
        return {**record, **facts_of_change(record["what"], record["text"], record["note"])}
    return record


def put_sheet(connection: Connection, source: int, name: str, digest: str, body: str) -> None:
    """Keep a sheet in the place of the one before, and its rows where it is a table; raises ValueError, KeyError."""
    document = json.loads(body)
    table = SHEETS.get(name)
    if table is not None:
        binary = {column.name for column in table.columns if isinstance(column.type, LargeBinary)}
        records = [dict(zip(document["columns"], row, strict=True)) for row in document["rows"]]
        for one in records:
            one |= {column: base64.b64decode(one[column]) for column in binary}
        connection.execute(text(f"DELETE FROM centre.{name} WHERE source = :source"), {"source": source})
        put_records(connection, name, source, records)
    connection.execute(
        text(
            "INSERT INTO centre.sheet VALUES (:source, :name, :digest, :body) "
            "ON CONFLICT (source, name) DO UPDATE SET digest = excluded.digest, body = excluded.body"
        ),
        {"source": source, "name": name, "digest": digest, "body": body},
    )
