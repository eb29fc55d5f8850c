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

day_block = Table(
    "day_block",
    meta,
    Column("id", _BIG, primary_key=True, doc="site day << 24 | series"),
    Column("blob", LargeBinary, nullable=False),
)

rollup_day = Table(
    "rollup_day",
    meta,
    Column("day", Integer, primary_key=True, doc="of the site's standard time, since 1970"),
    Column("series", Integer, primary_key=True),
    Column("n", Integer, nullable=False, doc="readings with a finite value"),
    Column("lo", Float, nullable=True),
    Column("mean", Float, nullable=True),
    Column("hi", Float, nullable=True),
    Column("last", Float, nullable=True),
    Column("dark", Integer, nullable=False, doc="readings of no light"),
    Column("silent", Integer, nullable=False),
    Column("absent", Integer, nullable=False),
    Column("garbled", Integer, nullable=False),
    sqlite_with_rowid=False,
)

feature_day = Table(
    "feature_day",
    meta,
    Column("day", Integer, primary_key=True),
    Column("series", Integer, primary_key=True),
    Column("version", Integer, primary_key=True, doc="of the way in which they are computed"),
    Column("n", Integer, nullable=False),
    Column("midmean", Float, nullable=True),
    Column("p5", Float, nullable=True),
    Column("p95", Float, nullable=True),
    Column("t_mean", Float, nullable=True),
    Column("sxy", Float, nullable=True),
    Column("sxx", Float, nullable=True),
    sqlite_with_rowid=False,
)

baseline = Table(
    "baseline",
    meta,
    Column("id", _BIG, primary_key=True),
    Column("resource", String, nullable=False),
    Column("quantity", String, nullable=False),
    Column("from_s", Float, nullable=False),
    Column("value", Float, nullable=True, doc="empty while it is still being learnt"),
    Column("spread", Float, nullable=True),
    Column("reason", Text, nullable=False, doc="turn-up, a repair, a new optic, a step upward"),
    Column("detail", Text, nullable=False, doc="JSON: serial numbers, temperature, load"),
)

repair = Table(
    "repair",
    meta,
    Column("id", _BIG, primary_key=True),
    Column("at_s", Float, nullable=False, index=True),
    Column("resource", String, nullable=False),
    Column("who", String, nullable=False),
    Column("text", Text, nullable=False),
)

shelf = Table(
    "shelf",
    meta,
    Column("id", _BIG, primary_key=True),
    Column("resource", String, nullable=False),
    Column("type", String, nullable=False, doc="empty: every type"),
    Column("from_s", Float, nullable=False),
    Column("until_s", Float, nullable=False),
    Column("who", String, nullable=False),
    Column("note", Text, nullable=False),
)

cursor = Table(
    "cursor",
    meta,
    Column("peer", String, primary_key=True),
    Column("kind", String, primary_key=True),
    Column("at", _BIG, nullable=False, doc="the last id that the peer has confirmed"),
)

untimed_row = Table(
    "untimed_row",
    meta,
    Column("id", _BIG, primary_key=True),
    Column("boot", String, nullable=False, doc="the start of the machine whose monotonic clock it was"),
    Column("monotonic_s", Float, nullable=False),
    Column("slot", ForeignKey("device_slot.id"), nullable=False),
    Column("blob", LargeBinary, nullable=False),
)

changed_day = Table(
    "changed_day",
    meta,
    Column("kind", String, primary_key=True, doc="blocks (with their rollups) or features"),
    Column("day", Integer, primary_key=True),
    Column("change", _BIG, nullable=False, index=True, doc="grows with every change of any day"),
)

late_row = Table(
    "late_row",
    meta,
    Column("id", _BIG, primary_key=True, doc="a round row that was kept after rows of a later time"),
)

lease = Table(
    "lease",
    meta,
    Column("name", String, primary_key=True, doc="what only one may do at a time"),
    Column("holder", String, nullable=False),
    Column("until_s", Float, nullable=False, doc="by the database's own clock"),
)

passed_on = Table(
    "passed_on",
    meta,
    Column("id", _BIG, primary_key=True),
    Column("body", LargeBinary, nullable=False, doc="what one process has seen, for the one that holds the book"),
)

setting = Table(
    "setting",
    meta,
    Column("name", String, primary_key=True),
    Column("value", String, nullable=False),
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
    Column("said", Text, nullable=False, server_default="", doc="JSON: what sentences were made from"),
    Column("settlement", Text, nullable=False, server_default="", doc="a value of alarms.settlement.Settlement"),
    Column("signs", Text, nullable=False, server_default="[]", doc="JSON list: names of alarms.signs.SIGNS"),
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
    Column("said", Text, nullable=False, server_default="", doc="JSON: what sentences were made from"),
    Column("settlement", Text, nullable=False, server_default="", doc="a value of alarms.settlement.Settlement"),
    Column("impacted", Text, nullable=False, server_default="[]", doc="JSON list of places"),
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
    Column("attachment", Text, nullable=False, server_default="", doc="path of a file that goes with it"),
)
