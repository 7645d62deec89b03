"""What of a boot was not seen: its start, or a link for a while. Boots of before count as seen whole."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    op.add_column("boot", sa.Column("anchored", sa.Boolean(), nullable=False, server_default=sa.true()))
    op.add_column("boot", sa.Column("blind", sa.JSON(), nullable=False, server_default="[]"))
