"""How long the power was off before a boot, and what was done before a trial besides its changes."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    op.add_column("boot", sa.Column("off_s", sa.Double(), nullable=True))
    op.add_column("trial", sa.Column("reseated", sa.Boolean(), nullable=False, server_default=sa.false()))
    op.add_column("trial", sa.Column("rested_s", sa.Double(), nullable=True))
