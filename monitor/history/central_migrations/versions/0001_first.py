"""The tables of many sites, keyed by (source, id), and views of one site that look like its own history.

A source is one history of one site: where a site begins another (its card was lost, an older copy was restored), ids
mean something else, so that it is another source.
"""

from alembic import op

revision = "0001"
down_revision = None

TABLES = """
CREATE TABLE centre.site (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name text NOT NULL UNIQUE,
    key text NOT NULL,
    added_s double precision NOT NULL,
    source integer,
    number bigint NOT NULL DEFAULT 0,
    heard_s double precision,
    alive_s double precision NOT NULL DEFAULT 60,
    rounds bigint NOT NULL DEFAULT 0
) WITH (fillfactor = 50);
CREATE TABLE centre.source (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    site integer NOT NULL REFERENCES centre.site,
    history text NOT NULL,
    began_s double precision NOT NULL,
    UNIQUE (site, history)
);
CREATE TABLE centre.cursor (
    source integer NOT NULL, kind text NOT NULL, at bigint NOT NULL, PRIMARY KEY (source, kind)
);
CREATE TABLE centre.sheet (
    source integer NOT NULL, name text NOT NULL, digest text NOT NULL, body text NOT NULL, PRIMARY KEY (source, name)
);
CREATE TABLE centre.day_coming (source integer NOT NULL, day integer NOT NULL, PRIMARY KEY (source, day));
CREATE TABLE centre.setting (source integer NOT NULL, name text, value text, PRIMARY KEY (source, name));
CREATE TABLE centre.series (
    source integer NOT NULL, id integer, resource text, quantity text, unit text, resolution double precision,
    PRIMARY KEY (source, id)
);
CREATE INDEX ON centre.series (source, resource, quantity);
CREATE TABLE centre.device_slot (source integer NOT NULL, id integer, device text, tier text, PRIMARY KEY (source, id));
CREATE TABLE centre.layout (
    source integer NOT NULL, id integer, slot integer, valid_from_s double precision, series_ids bytea,
    PRIMARY KEY (source, id)
);
CREATE TABLE centre.baseline (
    source integer NOT NULL, id bigint, resource text, quantity text, from_s double precision, value double precision,
    spread double precision, reason text, detail text, PRIMARY KEY (source, id)
);
CREATE TABLE centre.repair (
    source integer NOT NULL, id bigint, at_s double precision, resource text, who text, text text,
    PRIMARY KEY (source, id)
);
CREATE TABLE centre.shelf (
    source integer NOT NULL, id bigint, resource text, type text, from_s double precision, until_s double precision,
    who text, note text, PRIMARY KEY (source, id)
);
CREATE TABLE centre.event (
    source integer NOT NULL, id bigint, at_s double precision, kind text, resource text, text text,
    PRIMARY KEY (source, id)
);
CREATE TABLE centre.alarm (
    source integer NOT NULL, id integer, resource text, type text, qualifier text, severity text, cleared boolean,
    operator text, text text, root text, impacted text, cause text, settled text, raised_s double precision,
    changed_s double precision, times_raised integer, said text, PRIMARY KEY (source, id)
);
CREATE INDEX ON centre.alarm (source) WHERE NOT cleared;
CREATE TABLE centre.alarm_change (
    source integer NOT NULL, id bigint, alarm integer, at_s double precision, what text, severity text, text text,
    who text, note text, raised_s double precision, said text, PRIMARY KEY (source, id)
);
CREATE INDEX ON centre.alarm_change (source, at_s);
CREATE TABLE centre.round_row (
    source integer NOT NULL, id bigint NOT NULL, blob bytea NOT NULL, PRIMARY KEY (source, id)
) PARTITION BY RANGE (id);
CREATE TABLE centre.round_row_other PARTITION OF centre.round_row DEFAULT;
CREATE TABLE centre.day_block (
    source integer NOT NULL, id bigint NOT NULL, blob bytea NOT NULL, PRIMARY KEY (source, id)
) PARTITION BY RANGE (id);
CREATE TABLE centre.day_block_other PARTITION OF centre.day_block DEFAULT;
CREATE TABLE centre.rollup_day (
    source integer NOT NULL, day integer NOT NULL, series integer NOT NULL, n integer, lo double precision,
    mean double precision, hi double precision, last double precision, dark integer, silent integer, absent integer,
    garbled integer, PRIMARY KEY (source, day, series)
) PARTITION BY RANGE (day);
CREATE TABLE centre.rollup_day_other PARTITION OF centre.rollup_day DEFAULT;
CREATE TABLE centre.feature_day (
    source integer NOT NULL, day integer NOT NULL, series integer NOT NULL, version integer NOT NULL, n integer,
    midmean double precision, p5 double precision, p95 double precision, t_mean double precision,
    sxy double precision, sxx double precision, PRIMARY KEY (source, day, series, version)
) PARTITION BY RANGE (day);
CREATE TABLE centre.feature_day_other PARTITION OF centre.feature_day DEFAULT;
"""

MINE = "source = current_setting('farpole.source')::integer"
VIEWS = {
    "setting": "name, value",
    "series": "id, resource, quantity, unit, resolution",
    "device_slot": "id, device, tier",
    "layout": "id, slot, valid_from_s, series_ids",
    "baseline": "id, resource, quantity, from_s, value, spread, reason, detail",
    "repair": "id, at_s, resource, who, text",
    "shelf": "id, resource, type, from_s, until_s, who, note",
    "event": "id, at_s, kind, resource, text",
    "alarm": "id, resource, type, qualifier, severity, cleared, operator, text, root, impacted, cause, settled, "
    "raised_s, changed_s, times_raised, said",
    "alarm_change": "id, alarm, at_s, what, severity, text, who, note, raised_s, said",
    "round_row": "id, blob",
    "rollup_day": "day, series, n, lo, mean, hi, last, dark, silent, absent, garbled",
    "feature_day": "day, series, version, n, midmean, p5, p95, t_mean, sxy, sxx",
}


def upgrade() -> None:
    for statement in TABLES.split(";\n"):
        if statement.strip():
            op.execute(statement)
    op.execute("CREATE SCHEMA one_site")
    for name, columns in VIEWS.items():
        op.execute(f"CREATE VIEW one_site.{name} AS SELECT {columns} FROM centre.{name} WHERE {MINE}")
    # Of a day whose blocks are on their way the rounds are still there: each reading counts once.
    op.execute(
        f"CREATE VIEW one_site.day_block AS SELECT id, blob FROM centre.day_block b WHERE {MINE} AND NOT EXISTS "
        "(SELECT 1 FROM centre.day_coming c WHERE c.source = b.source AND c.day = b.id >> 24)"
    )
