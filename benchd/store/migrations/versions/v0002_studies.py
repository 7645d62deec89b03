"""Studies, trials, results, images and predictions."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    op.create_table(
        "study",
        sa.Column("name", sa.Text(), primary_key=True),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("created", sa.Text(), nullable=False),
        sa.Column("edited", sa.Text(), nullable=False),
    )
    op.create_table(
        "trial",
        sa.Column("id", sa.Text(), primary_key=True),
        sa.Column("number", sa.BigInteger(), nullable=False, unique=True),
        sa.Column("study", sa.Text(), sa.ForeignKey("study.name"), nullable=False),
        sa.Column("machine", sa.Text(), nullable=False),
        sa.Column("setup", sa.JSON(), nullable=False),
        sa.Column("changed", sa.JSON(), nullable=False),
        sa.Column("started", sa.Text(), nullable=False),
        sa.Column("ended", sa.Text()),
        sa.Column("note", sa.Text(), nullable=False),
    )
    op.create_index("trial_by_study", "trial", ["study"])
    running = sa.text("ended IS NULL")
    op.create_index("trial_running", "trial", ["machine"], unique=True, sqlite_where=running, postgresql_where=running)
    op.create_table(
        "result",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("trial", sa.Text(), sa.ForeignKey("trial.id")),
        sa.Column("boot", sa.Text()),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("passed", sa.Boolean(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("entered", sa.Text(), nullable=False),
    )
    op.create_index("result_by_trial", "result", ["trial"])
    op.create_index("result_by_boot", "result", ["boot"])
    op.create_table(
        "image",
        sa.Column("sha256", sa.Text(), primary_key=True),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("path", sa.Text()),
    )
    op.create_table(
        "prediction",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("trial", sa.Text(), sa.ForeignKey("trial.id"), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("made", sa.Text(), nullable=False),
    )
    op.create_index("prediction_by_trial", "prediction", ["trial"])
    counter = op.create_table(
        "counter",
        sa.Column("name", sa.Text(), primary_key=True),
        sa.Column("last", sa.BigInteger(), nullable=False),
    )
    op.bulk_insert(counter, [{"name": "trial", "last": 0}])
