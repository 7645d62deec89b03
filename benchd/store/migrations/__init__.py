"""Alembic migrations, run by `benchd.store.database` when a store is opened; there is no alembic.ini."""
