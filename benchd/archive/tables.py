"""The archive's tables: those of a bench's store, loosened for what arrives in any order, and a few of its own.

Loosened: no foreign key leads to a trial or a study, which may arrive after what belongs to it; numbers of trials are
unique by their bench's share; nothing keeps two trials of a machine from running while the end of one is on its way;
numbers of results and predictions have room for the share of a bench.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from benchd.store import schema
from benchd.store.schema import SafeText

FORMS = ("1", "2")
"""Versions of the tables here, oldest first, the last is the present one; the store's have their own."""

_WIDE = {("result", "id"), ("prediction", "id"), ("change", "result")}
_LOOSE = {("trial", "study"), ("result", "trial"), ("prediction", "trial")}


def loosened() -> sa.MetaData:
    """Return the tables of a bench's store as the archive makes them."""
    out = sa.MetaData()
    for table in schema.metadata.sorted_tables:
        if table is schema.feed:  # what a bench has to tell: the archive tells nobody
            continue
        columns = [_column(table.name, column) for column in table.columns]
        copy = sa.Table(table.name, out, *columns)
        for index in table.indexes:
            if not index.unique:
                sa.Index(index.name, *(copy.c[column.name] for column in index.columns))
    return out


def _column(table: str, column: sa.Column[object]) -> sa.Column[object]:
    wide = (table, column.name) in _WIDE
    keys = [] if (table, column.name) in _LOOSE else [
        sa.ForeignKey(key.target_fullname, ondelete=key.ondelete) for key in column.foreign_keys
    ]  # fmt: skip
    default: Any = column.server_default.arg if isinstance(column.server_default, sa.DefaultClause) else None
    return sa.Column(
        column.name,
        sa.BigInteger() if wide else column.type,
        *keys,
        primary_key=column.primary_key,
        nullable=column.nullable,
        server_default=default,
        autoincrement=False,
    )


loose = loosened()
"""The store's tables as they are here; whoever writes numbers writes them into these, which are wide enough."""
own = sa.MetaData()


def _name(name: str, *, null: bool = False, key: bool = False) -> sa.Column[str]:
    return sa.Column(name, SafeText(), nullable=null, primary_key=key)


about = sa.Table("archive_about", own, _name("name", key=True), _name("value"))

bench = sa.Table(
    "archive_bench",
    own,
    _name("bench", key=True),
    sa.Column("share", sa.BigInteger(), nullable=False, unique=True),
    _name("first_seen"),
    sa.Column("online", sa.Boolean(), nullable=True),
    _name("reason", null=True),
    _name("outbox", null=True),
    sa.Column("hears", sa.Boolean(), nullable=False, server_default=sa.false()),
    _name("status_at", null=True),
)
"""A bench that was heard of, and its status as told last. `hears`: its `mqtt.archive` is on, it can be asked."""

outbox = sa.Table(
    "archive_outbox",
    own,
    _name("bench", key=True),
    _name("outbox", key=True),
    sa.Column("rank", sa.BigInteger(), nullable=False),
    _name("made", null=True),
    sa.Column("told", sa.BigInteger(), nullable=False, server_default="0"),
    sa.Column("floor", sa.BigInteger(), nullable=False, server_default="0"),
    sa.Column("settled", sa.Boolean(), nullable=False, server_default=sa.false()),
)
"""An outbox of a bench. `told`: the last number that the bench says it gave; up to `floor` all is here; `settled`: the
bench told everything anew since, so that nothing of this one lacks."""

heard = sa.Table(
    "archive_heard",
    own,
    _name("bench", key=True),
    _name("process", key=True),
    _name("at"),
    _name("received"),
    sa.Column("events", sa.BigInteger(), nullable=False),
)
"""What a process took from a bench: the last event's own time, when it came, how many."""

count = sa.Table(
    "archive_count",
    own,
    _name("bench", key=True),
    _name("process", key=True),
    sa.Column("boots", sa.BigInteger(), nullable=False),
)
"""How many more boots of a bench there are by what a process did, less those it took out; the sum is what there is.
From form 2 on, which counted what there was under no process's name."""

piece = sa.Table(
    "archive_piece",
    own,
    _name("bench", key=True),
    _name("outbox", key=True),
    sa.Column("piece", sa.BigInteger(), primary_key=True, autoincrement=False),
    _name("process", key=True),
    sa.Column("bits", sa.LargeBinary(), nullable=False),
)
"""Which numbers of an outbox a process took, see `ranges`. Each process writes its own: none waits for another."""

version = sa.Table(
    "archive_version",
    own,
    _name("bench", key=True),
    _name("part", key=True),
    _name("key", key=True),
    sa.Column("rank", sa.BigInteger(), nullable=False),
    sa.Column("seq", sa.BigInteger(), nullable=False),
)
"""By which event each record came: what is older, or the same again, changes nothing. It stays when the record goes."""

whole = sa.Table(
    "archive_whole",
    own,
    _name("bench", key=True),
    sa.Column("rank", sa.BigInteger(), nullable=False),
    sa.Column("seq", sa.BigInteger(), nullable=False),
)
"""From which event on a bench told all that it has, when it was last asked for everything: what only earlier events
told is gone there. Each batch holds the rows of its benches, shared; an answer holds its bench's alone."""

ask = sa.Table(
    "archive_ask",
    own,
    _name("ask", key=True),
    _name("bench"),
    _name("asked"),
    _name("outbox", null=True),
    sa.Column("missing", sa.JSON(none_as_null=True), nullable=True),
    _name("since", null=True),
    sa.Column("upto", sa.JSON(), nullable=False),
    _name("answered", null=True),
    _name("words", null=True),
    sa.Column("boots", sa.BigInteger(), nullable=True),
    sa.Column("entries", sa.BigInteger(), nullable=True),
    sa.Index("archive_ask_by_bench", "bench", "asked"),
)
"""What a bench was asked for. `upto`: by outbox, the last number known when everything was asked for."""

refused = sa.Table(
    "archive_refused",
    own,
    _name("reason", key=True),
    _name("process", key=True),
    sa.Column("count", sa.BigInteger(), nullable=False),
    _name("at"),
    _name("topic"),
    _name("words"),
)
"""Messages that were refused, by reason; `topic` and `words` are those of the last one."""
