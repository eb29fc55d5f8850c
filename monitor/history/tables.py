"""The tables of the history, in SQLAlchemy Core. Times are UTC seconds since 1970."""

from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

meta = MetaData()

_BIG: Any = BigInteger().with_variant(Integer, "sqlite")
"""An INTEGER PRIMARY KEY of SQLite is its row id; PostgreSQL needs BIGINT for the same numbers."""

series = Table(
    "series",
    meta,
    Column("id", Integer, primary_key=True),
    Column("resource", String, nullable=False),
    Column("quantity", String, nullable=False),
    Column("unit", String, nullable=False),
    Column("resolution", Float, nullable=False),
    UniqueConstraint("resource", "quantity"),
)

device_slot = Table(
    "device_slot",
    meta,
    Column("id", Integer, primary_key=True, doc="below 65,536: the low bits of a round row's id"),
    Column("device", String, nullable=False),
    Column("tier", String, nullable=False),
    UniqueConstraint("device", "tier"),
)

layout = Table(
    "layout",
    meta,
    Column("id", Integer, primary_key=True),
    Column("slot", ForeignKey("device_slot.id"), nullable=False),
    Column("valid_from_s", Float, nullable=False),
    Column("series_ids", LargeBinary, nullable=False, doc="uint32 little-endian, in the order of the row"),
    UniqueConstraint("slot", "series_ids"),
)

round_row = Table(
    "round_row",
    meta,
    Column("id", _BIG, primary_key=True, doc="seconds << 16 | device slot"),
    Column("blob", LargeBinary, nullable=False),
)

event = Table(
    "event",
    meta,
    Column("id", _BIG, primary_key=True),
    Column("at_s", Float, nullable=False, index=True),
    Column("kind", String, nullable=False),
    Column("resource", String, nullable=False),
    Column("text", Text, nullable=False),
)

alarm = Table(
    "alarm",
    meta,
    Column("id", Integer, primary_key=True),
    Column("resource", String, nullable=False),
    Column("type", String, nullable=False),
    Column("qualifier", String, nullable=False),
    Column("severity", String, nullable=False, doc="as a word; numbers of severities run both ways in RFCs"),
    Column("cleared", Boolean, nullable=False),
    Column("operator", String, nullable=False),
    Column("text", Text, nullable=False),
    Column("root", String, nullable=False),
    Column("impacted", Text, nullable=False, doc="JSON list"),
    Column("cause", Text, nullable=False, doc="JSON, empty where none"),
    Column("settled", Text, nullable=False),
    Column("raised_s", Float, nullable=False),
    Column("changed_s", Float, nullable=False),
    Column("times_raised", Integer, nullable=False),
    UniqueConstraint("resource", "type", "qualifier"),
)

alarm_change = Table(
    "alarm_change",
    meta,
    Column("id", _BIG, primary_key=True),
    Column("alarm", ForeignKey("alarm.id"), nullable=False, index=True),
    Column("at_s", Float, nullable=False, index=True),
    Column("what", String, nullable=False),
    Column("severity", String, nullable=False),
    Column("text", Text, nullable=False),
    Column("who", String, nullable=False),
    Column("note", Text, nullable=False),
    Column("raised_s", Float, nullable=False),
)

outbox = Table(
    "outbox",
    meta,
    Column("id", _BIG, primary_key=True),
    Column("person", String, nullable=False),
    Column("to", String, nullable=False),
    Column("kind", String, nullable=False),
    Column("resource", String, nullable=False),
    Column("type", String, nullable=False),
    Column("subject", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("happened_s", Float, nullable=False),
    Column("not_before_s", Float, nullable=False),
    Column("state", String, nullable=False, index=True, doc="waiting, sent, withdrawn"),
    Column("attempts", Integer, nullable=False),
    Column("last_error", Text, nullable=False),
    Column("sent_s", Float, nullable=True),
)
