"""Alembic's entry: migrates on the connection it is handed, inside that connection's transaction."""

from __future__ import annotations

from alembic import context

from benchd.store.schema import VERSION_TABLE, metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    version_table=VERSION_TABLE,
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
