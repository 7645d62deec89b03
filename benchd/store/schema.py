"""The tables as they are now. How older ones become these: `migrations/`; a test holds the two together."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

VERSIONS = ("0001", "0002", "0003", "0004", "0005", "0006", "0007", "0008", "0009")
"""Every schema this benchd can read and upgrade, oldest first; the last is the current one."""
VERSION_TABLE = "benchd_schema"


class SafeText(sa.TypeDecorator[str]):
    """Text that every database takes.

    PostgreSQL refuses NUL and lone surrogates, and text from the wire may hold them: NUL becomes U+2400 (its
    picture), a surrogate its escape. The same is done for SQLite, so that both stores show the same.
    """

    impl = sa.Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: sa.Dialect) -> str | None:
        if value is None:
            return None
        return value.replace("\0", "\u2400").encode("utf-8", "backslashreplace").decode("utf-8")


metadata = sa.MetaData()


def _text(name: str, *args: Any, null: bool = False) -> sa.Column[str]:
    return sa.Column(name, SafeText(), *args, nullable=null)


def _of_boot() -> list[sa.Column[Any]]:
    return [
        sa.Column("boot", SafeText(), sa.ForeignKey("boot.id", ondelete="CASCADE"), primary_key=True),
        sa.Column("position", sa.Integer(), primary_key=True),
    ]


boot = sa.Table(
    "boot",
    metadata,
    sa.Column("id", SafeText(), primary_key=True),
    _text("machine"),
    _text("trial", null=True),
    _text("table_name"),
    _text("started"),
    sa.Column("started_us", sa.BigInteger(), nullable=False),
    _text("start_reason"),
    _text("ended", null=True),
    _text("outcome"),
    _text("last_stage", null=True),
    _text("last_code", null=True),
    sa.Column("duration_s", sa.Double(), nullable=False),
    sa.Column("codes", sa.BigInteger(), nullable=False),
    sa.Column("lines", sa.BigInteger(), nullable=False),
    sa.Column("lost", sa.BigInteger(), nullable=False),
    sa.Column("anchored", sa.Boolean(), nullable=False, server_default=sa.true()),
    sa.Column("blind", sa.JSON(), nullable=False, server_default="[]"),
    _text("passes_of", null=True),
    sa.Column("measured", sa.JSON(none_as_null=True)),
    _text("capture", null=True),
    _text("closed_reason", null=True),
    sa.Column("off_s", sa.Double(), nullable=True),
    _text("model", null=True),
    sa.Index("boot_by_start", "started_us"),
    sa.Index("boot_by_machine", "machine", "started_us"),
    sa.Index("boot_by_trial", "trial"),
    sa.Index("boot_good", "machine", "table_name", "outcome", "started_us"),
    sa.Index("boot_of_model", "model", "table_name", "outcome", "started_us"),
)

stage = sa.Table(
    "stage",
    metadata,
    *_of_boot(),
    _text("name"),
    sa.Column("t", sa.Double(), nullable=False),
    sa.Column("u", sa.Double(), nullable=False),
)

finding = sa.Table(
    "finding",
    metadata,
    *_of_boot(),
    _text("kind"),
    _text("rule"),
    _text("stage", null=True),
    _text("code", null=True),
    sa.Column("t", sa.Double(), nullable=False),
    sa.Column("limit_s", sa.Double(), nullable=True),
    _text("limit_kind", null=True),
    sa.Column("cleared_t", sa.Double(), nullable=True),
    _text("means", null=True),
    sa.Column("try_", sa.JSON(), nullable=False),
    _text("caution", null=True),
    _text("detail", null=True),
)

boot_check = sa.Table(
    "boot_check",
    metadata,
    *_of_boot(),
    _text("name"),
    sa.Column("passed", sa.Boolean(), nullable=False),
    sa.Column("t", sa.Double(), nullable=False),
)

study = sa.Table(
    "study",
    metadata,
    sa.Column("name", SafeText(), primary_key=True),
    sa.Column("document", sa.JSON(), nullable=False),
    _text("created"),
    _text("edited"),
    _text("deleted", null=True),
    _text("called", null=True),  # its name before it was deleted: that name may be given anew
)

trial = sa.Table(
    "trial",
    metadata,
    sa.Column("id", SafeText(), primary_key=True),
    sa.Column("number", sa.BigInteger(), nullable=False, unique=True),
    _text("study", sa.ForeignKey("study.name")),
    _text("machine"),
    sa.Column("setup", sa.JSON(), nullable=False),
    sa.Column("changed", sa.JSON(), nullable=False),
    _text("started"),
    _text("ended", null=True),
    _text("note"),
    sa.Column("reseated", sa.Boolean(), nullable=False, server_default=sa.false()),
    sa.Column("rested_s", sa.Double(), nullable=True),
    sa.Column("name", SafeText(), nullable=False, server_default=""),
    _text("deleted", null=True),
    sa.Index("trial_by_study", "study"),
    sa.Index(
        "trial_running",
        "machine",
        unique=True,
        sqlite_where=sa.text("ended IS NULL"),
    ),
)

result = sa.Table(
    "result",
    metadata,
    sa.Column("id", sa.Integer(), primary_key=True),
    _text("trial", sa.ForeignKey("trial.id"), null=True),
    _text("boot", null=True),  # no foreign key: boots may be rebuilt, results may not be lost
    _text("entered_for", null=True),  # the boot that it was entered for, while another stands for that one
    _text("name"),
    sa.Column("passed", sa.Boolean(), nullable=False),
    _text("source"),
    _text("note"),
    _text("entered"),
    _text("taken_back", null=True),
    _text("left_out", null=True),
    sa.Index("result_by_trial", "trial"),
    sa.Index("result_by_boot", "boot"),
)

boot_mark = sa.Table(
    "boot_mark",
    metadata,
    # The boot that a person decided about, and the one that stands for it now; no foreign keys, as with results.
    sa.Column("made_for", SafeText(), primary_key=True),
    _text("boot"),
    sa.Column("moved", sa.Boolean(), nullable=False, server_default=sa.false()),
    _text("trial", null=True),
    _text("left_out", null=True),
    sa.Column("note", SafeText(), nullable=False, server_default=""),
    sa.Column("labels", sa.JSON(), nullable=False, server_default="[]"),
    sa.Index("boot_mark_by_boot", "boot"),
    sa.Index("boot_mark_by_trial", "trial"),
)
"""What people decided about boots. It is laid over what captures tell, so that boots can be rebuilt beneath it."""

change = sa.Table(
    "change",
    metadata,
    sa.Column("number", sa.BigInteger(), primary_key=True, autoincrement=False),
    _text("at"),
    _text("by_way"),
    _text("kind"),
    _text("study", null=True),
    _text("trial", null=True),
    _text("boot", null=True),
    sa.Column("result", sa.Integer(), nullable=True),
    _text("before", null=True),
    _text("after", null=True),
    sa.Index("change_by_study", "study"),
    sa.Index("change_by_trial", "trial"),
    sa.Index("change_by_boot", "boot"),
)

image = sa.Table(
    "image",
    metadata,
    sa.Column("sha256", SafeText(), primary_key=True),
    _text("name"),
    sa.Column("size", sa.BigInteger(), nullable=False),
    _text("path", null=True),
)

prediction = sa.Table(
    "prediction",
    metadata,
    sa.Column("id", sa.Integer(), primary_key=True),
    _text("trial", sa.ForeignKey("trial.id")),
    sa.Column("document", sa.JSON(), nullable=False),
    _text("made"),
    sa.Index("prediction_by_trial", "trial"),
)

counter = sa.Table(
    "counter",
    metadata,
    sa.Column("name", SafeText(), primary_key=True),
    sa.Column("last", sa.BigInteger(), nullable=False),
)
"""Numbers of trials, results and changes are drawn from here: none is used twice, whatever is deleted."""

feed = sa.Table(
    "feed",
    metadata,
    sa.Column("number", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), primary_key=True),
    _text("table_name"),
    _text("key"),
    _text("machine", null=True),
    sa.UniqueConstraint("table_name", "key", name="feed_key"),
    sqlite_autoincrement=True,
)
"""Rows of boots, studies and the like that changed since they were taken from here, one line each, oldest first.

Triggers of the database write it, whichever process made the change. `key` is the row's primary key as text, `machine`
that of a boot. A row that changes again gets a new `number`; no number is given twice.
"""


def for_postgresql() -> None:
    """Complete the tables for PostgreSQL, whose words are imported with this."""
    (running,) = (index for index in trial.indexes if index.name == "trial_running")
    running.dialect_kwargs["postgresql_where"] = sa.text("ended IS NULL")
