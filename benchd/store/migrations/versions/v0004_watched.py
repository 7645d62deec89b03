"""How well a boot was watched: whether from its start, and when a link was not heard."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0002"


def upgrade() -> None:
    op.add_column("boot", sa.Column("anchored", sa.Boolean(), nullable=False, server_default=sa.true()))
    op.add_column("boot", sa.Column("blind", sa.JSON()))
