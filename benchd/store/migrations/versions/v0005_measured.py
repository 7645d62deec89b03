"""What the machine's own processor reads, as a reporter program told it. Boots of before have no report."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    op.add_column("boot", sa.Column("measured", sa.JSON(), nullable=True))
