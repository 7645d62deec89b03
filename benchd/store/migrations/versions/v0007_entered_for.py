"""For which boot a result was entered, while another boot stands for that one."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    op.add_column("result", sa.Column("entered_for", sa.Text(), nullable=True))
