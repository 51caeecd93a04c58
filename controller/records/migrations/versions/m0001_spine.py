"""The first schema: boots, runs, ticks, blocks, states, events and rollups of 10 s and 60 s."""

from __future__ import annotations

from alembic import op

revision = "0001_spine"
down_revision = None
branch_labels = None
depends_on = None

STATEMENTS = (
    """
CREATE TABLE blocks (
    id INTEGER NOT NULL,
    boot INTEGER GENERATED ALWAYS AS (id >> 32) VIRTUAL,
    first_tick INTEGER GENERATED ALWAYS AS (id & 4294967295) VIRTUAL,
    ticks INTEGER NOT NULL,
    digest BLOB NOT NULL,
    data BLOB NOT NULL,
    PRIMARY KEY (id)
)
 STRICT
""",
    """
CREATE TABLE boots (
    boot INTEGER NOT NULL,
    started_utc_us INTEGER NOT NULL,
    ended_utc_us INTEGER,
    version TEXT NOT NULL,
    python TEXT NOT NULL,
    sqlite TEXT NOT NULL,
    libraries TEXT NOT NULL,
    simulated INTEGER NOT NULL,
    board TEXT NOT NULL,
    chamber TEXT NOT NULL,
    PRIMARY KEY (boot)
)
 STRICT
""",
    """
CREATE TABLE events (
    id INTEGER NOT NULL,
    boot INTEGER GENERATED ALWAYS AS (id >> 32) VIRTUAL,
    seq INTEGER GENERATED ALWAYS AS (id & 4294967295) VIRTUAL,
    utc_us INTEGER NOT NULL,
    tick INTEGER,
    kind TEXT NOT NULL,
    run TEXT,
    fields TEXT NOT NULL,
    PRIMARY KEY (id)
)
 STRICT
""",
    """
CREATE INDEX events_of_a_run ON events (run, id) WHERE run IS NOT NULL
""",
    """
CREATE TABLE rollups_10s (
    id INTEGER NOT NULL,
    boot INTEGER GENERATED ALWAYS AS (id >> 32) VIRTUAL,
    first_tick INTEGER GENERATED ALWAYS AS (id & 4294967295) VIRTUAL,
    ticks INTEGER NOT NULL,
    gap_us INTEGER NOT NULL,
    first_utc_us INTEGER NOT NULL,
    last_utc_us INTEGER NOT NULL,
    min_setpoint_mc INTEGER,
    mean_setpoint_mc INTEGER,
    max_setpoint_mc INTEGER,
    min_control_mc INTEGER,
    mean_control_mc INTEGER,
    max_control_mc INTEGER,
    min_over_temperature_mc INTEGER,
    mean_over_temperature_mc INTEGER,
    max_over_temperature_mc INTEGER,
    min_part_mc INTEGER,
    mean_part_mc INTEGER,
    max_part_mc INTEGER,
    min_duty_e4 INTEGER,
    mean_duty_e4 INTEGER,
    max_duty_e4 INTEGER,
    min_seen_e4 INTEGER,
    mean_seen_e4 INTEGER,
    max_seen_e4 INTEGER,
    PRIMARY KEY (id)
)
 STRICT
""",
    """
CREATE TABLE rollups_60s (
    id INTEGER NOT NULL,
    boot INTEGER GENERATED ALWAYS AS (id >> 32) VIRTUAL,
    first_tick INTEGER GENERATED ALWAYS AS (id & 4294967295) VIRTUAL,
    ticks INTEGER NOT NULL,
    gap_us INTEGER NOT NULL,
    first_utc_us INTEGER NOT NULL,
    last_utc_us INTEGER NOT NULL,
    min_setpoint_mc INTEGER,
    mean_setpoint_mc INTEGER,
    max_setpoint_mc INTEGER,
    min_control_mc INTEGER,
    mean_control_mc INTEGER,
    max_control_mc INTEGER,
    min_over_temperature_mc INTEGER,
    mean_over_temperature_mc INTEGER,
    max_over_temperature_mc INTEGER,
    min_part_mc INTEGER,
    mean_part_mc INTEGER,
    max_part_mc INTEGER,
    min_duty_e4 INTEGER,
    mean_duty_e4 INTEGER,
    max_duty_e4 INTEGER,
    min_seen_e4 INTEGER,
    mean_seen_e4 INTEGER,
    max_seen_e4 INTEGER,
    PRIMARY KEY (id)
)
 STRICT
""",
    """
CREATE TABLE runs (
    number INTEGER NOT NULL,
    id TEXT NOT NULL,
    boot INTEGER NOT NULL,
    first_tick INTEGER NOT NULL,
    last_tick INTEGER,
    started_utc_us INTEGER NOT NULL,
    ended_utc_us INTEGER,
    name TEXT NOT NULL,
    level INTEGER NOT NULL,
    "by" TEXT NOT NULL,
    state TEXT NOT NULL,
    "end" TEXT NOT NULL,
    cut INTEGER NOT NULL,
    run_ceiling_mc INTEGER NOT NULL,
    run_max_us INTEGER NOT NULL,
    simulated INTEGER NOT NULL,
    board TEXT NOT NULL,
    version TEXT NOT NULL,
    schedule TEXT NOT NULL,
    chamber TEXT NOT NULL,
    model TEXT,
    folder BLOB NOT NULL,
    PRIMARY KEY (number),
    CONSTRAINT cut_is_yes_or_no CHECK (cut IN (0, 1)),
    UNIQUE (id)
)
 STRICT
""",
    """
CREATE TABLE states (
    id INTEGER NOT NULL,
    boot INTEGER GENERATED ALWAYS AS (id >> 32) VIRTUAL,
    tick INTEGER GENERATED ALWAYS AS (id & 4294967295) VIRTUAL,
    why TEXT NOT NULL,
    data BLOB NOT NULL,
    PRIMARY KEY (id)
)
 STRICT
""",
    """
CREATE TABLE ticks (
    id INTEGER NOT NULL,
    boot INTEGER GENERATED ALWAYS AS (id >> 32) VIRTUAL,
    tick INTEGER GENERATED ALWAYS AS (id & 4294967295) VIRTUAL,
    utc_us INTEGER NOT NULL,
    gap_us INTEGER NOT NULL,
    state_number INTEGER,
    state TEXT GENERATED ALWAYS AS (CASE state_number WHEN 0 THEN 'idle' WHEN 1 THEN 'running' WHEN 2 THEN 'holding'
        WHEN 3 THEN 'held' WHEN 4 THEN 'restarting' WHEN 5 THEN 'stopping' WHEN 6 THEN 'stopped' WHEN 7 THEN
        'aborting' WHEN 8 THEN 'aborted' WHEN 9 THEN 'complete' END) VIRTUAL,
    segment INTEGER,
    quality TEXT,
    setpoint_mc INTEGER,
    control_mc INTEGER,
    over_temperature_mc INTEGER,
    part_mc INTEGER,
    duty_e4 INTEGER,
    seen_e4 INTEGER,
    PRIMARY KEY (id)
)
 STRICT
""",
)


def upgrade() -> None:
    """Make every table; the text is frozen, whatever `schema.py` says later."""
    for statement in STATEMENTS:
        op.execute(statement)
