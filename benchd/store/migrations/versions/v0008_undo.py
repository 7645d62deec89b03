"""What people take back, move and leave out, and the log of it; numbers of results are not used twice."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    op.add_column("study", sa.Column("deleted", sa.Text(), nullable=True))
    op.add_column("study", sa.Column("called", sa.Text(), nullable=True))
    op.add_column("trial", sa.Column("name", sa.Text(), nullable=False, server_default=""))
    op.add_column("trial", sa.Column("deleted", sa.Text(), nullable=True))
    op.add_column("result", sa.Column("taken_back", sa.Text(), nullable=True))
    op.add_column("result", sa.Column("left_out", sa.Text(), nullable=True))
    op.create_table(
        "boot_mark",
        sa.Column("made_for", sa.Text(), primary_key=True),
        sa.Column("boot", sa.Text(), nullable=False),
        sa.Column("moved", sa.Boolean(), nullable=False, server_default=sa.false()),
        sa.Column("trial", sa.Text(), nullable=True),
        sa.Column("left_out", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False, server_default=""),
        sa.Column("labels", sa.JSON(), nullable=False, server_default="[]"),
    )
    op.create_index("boot_mark_by_boot", "boot_mark", ["boot"])
    op.create_index("boot_mark_by_trial", "boot_mark", ["trial"])
    op.create_table(
        "change",
        sa.Column("number", sa.BigInteger(), primary_key=True, autoincrement=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("by_way", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("study", sa.Text(), nullable=True),
        sa.Column("trial", sa.Text(), nullable=True),
        sa.Column("boot", sa.Text(), nullable=True),
        sa.Column("result", sa.Integer(), nullable=True),
        sa.Column("before", sa.Text(), nullable=True),
        sa.Column("after", sa.Text(), nullable=True),
    )
    for place in ("study", "trial", "boot"):
        op.create_index(f"change_by_{place}", "change", [place])
    op.execute("INSERT INTO counter (name, last) SELECT 'result', coalesce(max(id), 0) FROM result")
    op.execute("INSERT INTO counter (name, last) VALUES ('change', 0), ('study', 0)")
