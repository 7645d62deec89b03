"""Boots, stages, findings and checks."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def _of_boot() -> list[sa.Column[Any]]:
    return [
        sa.Column("boot", sa.Text(), sa.ForeignKey("boot.id", ondelete="CASCADE"), primary_key=True),
        sa.Column("position", sa.Integer(), primary_key=True),
    ]


def upgrade() -> None:
    op.create_table(
        "boot",
        sa.Column("id", sa.Text(), primary_key=True),
        sa.Column("machine", sa.Text(), nullable=False),
        sa.Column("trial", sa.Text()),
        sa.Column("table_name", sa.Text(), nullable=False),
        sa.Column("started", sa.Text(), nullable=False),
        sa.Column("started_us", sa.BigInteger(), nullable=False),
        sa.Column("start_reason", sa.Text(), nullable=False),
        sa.Column("ended", sa.Text()),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("last_stage", sa.Text()),
        sa.Column("last_code", sa.Text()),
        sa.Column("duration_s", sa.Double(), nullable=False),
        sa.Column("codes", sa.BigInteger(), nullable=False),
        sa.Column("lines", sa.BigInteger(), nullable=False),
        sa.Column("lost", sa.BigInteger(), nullable=False),
        sa.Column("passes_of", sa.Text()),
        sa.Column("capture", sa.Text()),
        sa.Column("closed_reason", sa.Text()),
    )
    op.create_index("boot_by_start", "boot", ["started_us"])
    op.create_index("boot_by_machine", "boot", ["machine", "started_us"])
    op.create_index("boot_by_trial", "boot", ["trial"])
    op.create_table(
        "stage",
        *_of_boot(),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("t", sa.Double(), nullable=False),
        sa.Column("u", sa.Double(), nullable=False),
    )
    op.create_table(
        "finding",
        *_of_boot(),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("rule", sa.Text(), nullable=False),
        sa.Column("stage", sa.Text()),
        sa.Column("code", sa.Text()),
        sa.Column("t", sa.Double(), nullable=False),
        sa.Column("limit_s", sa.Double()),
        sa.Column("limit_kind", sa.Text()),
        sa.Column("cleared_t", sa.Double()),
        sa.Column("means", sa.Text()),
        sa.Column("try_", sa.JSON(), nullable=False),
        sa.Column("caution", sa.Text()),
        sa.Column("detail", sa.Text()),
    )
    op.create_table(
        "boot_check",
        *_of_boot(),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("passed", sa.Boolean(), nullable=False),
        sa.Column("t", sa.Double(), nullable=False),
    )
