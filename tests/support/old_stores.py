"""Stores of older schemas, made by the migrations up to there, and rows put in by plain SQL."""

from __future__ import annotations

import sqlalchemy as sa

from benchd.store.database import upgrade

FIRST_SCHEMA_ROWS = """
INSERT INTO boot (id, machine, trial, table_name, started, started_us, start_reason, outcome, duration_s, codes,
    lines, lost, capture) VALUES ('b1', 'at286', 'T1', 't', '2026-03-01T20:00:00+01:00', 1772391600000000, '',
    'finished', 0.0, 0, 0, 0, 'c.pcapng');
INSERT INTO stage (boot, position, name, t, u) VALUES ('b1', 0, 'memory', 0.1, 0.01);
INSERT INTO stage (boot, position, name, t, u) VALUES ('b1', 1, 'hand-over', 9.25, 0.01);
INSERT INTO finding (boot, position, kind, rule, t, limit_s, limit_kind, try_)
    VALUES ('b1', 0, 'slow', 'memory', 4.0, 3.5, 'explicit', '["wait", "look"]');
INSERT INTO boot_check (boot, position, name, passed, t) VALUES ('b1', 0, 'video-memory', true, 8.0);
"""


def engine(place: str) -> sa.Engine:
    return sa.create_engine(
        place.replace("postgresql://", "postgresql+psycopg://") if "://" in place else f"sqlite:///{place}"
    )


def run(place: str, *statements: str) -> None:
    made = engine(place)
    with made.begin() as connection:
        for statement in statements:
            connection.execute(sa.text(statement))
    made.dispose()


def old_store(place: str, version: str) -> None:
    made = engine(place)
    with made.begin() as connection:
        upgrade(connection, version)
    made.dispose()
