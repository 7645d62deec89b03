"""What kind of machine a boot is of, and what changed since it was last taken from the feed: at first, everything."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"

KEYS = {
    "boot": "id",
    "study": "name",
    "trial": "id",
    "result": "id",
    "boot_mark": "made_for",
    "image": "sha256",
    "prediction": "id",
    "change": "number",
}
"""Table: its primary key. Stages, findings and checks change with their boot."""

SQLITE = """
CREATE TRIGGER feed_{table}_{word} AFTER {word} ON {table} BEGIN
    DELETE FROM feed WHERE table_name = '{table}' AND key IN ({keys});
    INSERT INTO feed (table_name, key, machine) {rows};
END
"""

POSTGRESQL = """
CREATE FUNCTION feed_{table}() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP <> 'INSERT' AND (TG_OP = 'DELETE' OR OLD.{key} <> NEW.{key}) THEN
        INSERT INTO feed (table_name, key, machine) VALUES ('{table}', OLD.{key}::text, {old_machine})
            ON CONFLICT (table_name, key) DO UPDATE SET number = DEFAULT, machine = excluded.machine;
    END IF;
    IF TG_OP <> 'DELETE' THEN
        INSERT INTO feed (table_name, key, machine) VALUES ('{table}', NEW.{key}::text, {new_machine})
            ON CONFLICT (table_name, key) DO UPDATE SET number = DEFAULT, machine = excluded.machine;
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER feed_{table} AFTER INSERT OR UPDATE OR DELETE ON {table} FOR EACH ROW EXECUTE FUNCTION feed_{table}()
"""


def upgrade() -> None:
    op.add_column("boot", sa.Column("model", sa.Text(), nullable=True))
    op.create_index("boot_of_model", "boot", ["model", "table_name", "outcome", "started_us"])
    op.create_table(
        "feed",
        sa.Column("number", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), primary_key=True),
        sa.Column("table_name", sa.Text(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("machine", sa.Text(), nullable=True),
        sa.UniqueConstraint("table_name", "key", name="feed_key"),
        sqlite_autoincrement=True,
    )
    connection = op.get_bind()
    on_sqlite = connection.dialect.name == "sqlite"
    for table, key in KEYS.items():
        machine = "machine" if table == "boot" else "NULL"
        connection.exec_driver_sql(
            f"INSERT INTO feed (table_name, key, machine) SELECT '{table}', CAST({key} AS TEXT), {machine} FROM {table}"
        )
        for statement in _on_sqlite(table, key) if on_sqlite else _on_postgresql(table, key):
            connection.exec_driver_sql(statement)


def _on_postgresql(table: str, key: str) -> list[str]:
    old, new = ("OLD.machine", "NEW.machine") if table == "boot" else ("NULL", "NULL")
    return [POSTGRESQL.format(table=table, key=key, old_machine=old, new_machine=new)]


def _on_sqlite(table: str, key: str) -> list[str]:
    return [_trigger(table, key, word) for word in ("INSERT", "UPDATE", "DELETE")]


def _trigger(table: str, key: str, word: str) -> str:
    """A row that gets another key is two rows: the one that is gone and the new one."""
    seen = {"INSERT": ("NEW",), "UPDATE": ("NEW", "OLD"), "DELETE": ("OLD",)}[word]
    keys = [f"CAST({one}.{key} AS TEXT)" for one in seen]
    machines = [f"{one}.machine" if table == "boot" else "NULL" for one in seen]
    rows = [f"SELECT '{table}', {own}, {machine}" for own, machine in zip(keys, machines, strict=True)]
    if len(seen) > 1:
        rows[1] += f" WHERE OLD.{key} <> NEW.{key}"
    return SQLITE.format(table=table, word=word, keys=", ".join(keys), rows=" UNION ALL ".join(rows))
