"""Captures relative to the data folder; an index for the newest good boots."""

from __future__ import annotations

from pathlib import PurePosixPath

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
BATCH = 1_000


def upgrade() -> None:
    op.create_index("boot_good", "boot", ["machine", "table_name", "outcome", "started_us"])
    boot = sa.table("boot", sa.column("capture", sa.Text()))
    connection = op.get_bind()
    captures = connection.execute(sa.select(boot.c.capture).where(boot.c.capture.is_not(None)).distinct())
    changes = [{"old": one, "new": new} for one in captures.scalars() if (new := _relative(one)) != one]
    statement = sa.update(boot).where(boot.c.capture == sa.bindparam("old")).values(capture=sa.bindparam("new"))
    for first in range(0, len(changes), BATCH):
        connection.execute(statement, changes[first : first + BATCH])


def _relative(capture: str) -> str:
    """A path under `captures/` of some data folder, from there on; wherever that folder was, it is this store's."""
    path = PurePosixPath(capture)
    if path.is_absolute() and len(path.parts) > 3 and path.parts[-3] == "captures":
        return str(PurePosixPath(*path.parts[-3:]))
    return capture
