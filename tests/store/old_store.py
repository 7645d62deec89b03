"""Writes a store as the benchd that is imported keeps it, as SQL text: run with the code of an older commit.

    git worktree add /tmp/then COMMIT
    PYTHONPATH=/tmp/then python tests/store/old_store.py tests/store/data/0006.sql

The files in `data/` were made so, by the first commit that had each schema. There were two of number 0005, of which one
was in use for ten minutes only: `0005-rests.sql`. No commit had 0001 as its newest: `0001.sql` was made by the first
migration alone, `python tests/store/old_store.py FILE 0001`, and rows of the same boots.
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
from pathlib import Path
from typing import Any

AT = [f"2026-03-01T20:{minute:02d}:00+01:00" for minute in range(20)]


def only_known(model: Any, **values: Any) -> Any:
    """A model of those values that it had then."""
    return model(**{name: value for name, value in values.items() if name in model.model_fields})


def boots() -> list[Any]:
    try:
        from benchd.vocabulary.models import Boot, Check, Finding, Stage
    except ModuleNotFoundError:  # where they were at first
        from benchd.models import Boot, Check, Finding, Stage  # type: ignore[import-not-found,no-redef]

    stages = [Stage(name="memory", t=0.1, u=0.01), Stage(name="hand-over", t=9.25, u=0.01)]
    slow = Finding(kind="slow", rule="memory", t=4.0, limit_s=3.5, limit_kind="explicit", try_=["wait", "look"])
    common = {"machine": "at286", "table": "t", "stages": stages, "anchored": False, "off_s": 12.5}
    first = only_known(
        Boot, id="at286-1", trial="T1", started=AT[0], ended=AT[1], outcome="finished", findings=[slow],
        checks=[Check(name="video-memory", passed=True, t=8.0)], last_code="AA", duration_s=9.5, codes=7, lines=2,
        lost=1, **common,
    )  # fmt: skip
    second = only_known(Boot, id="at286-2", started=AT[2], outcome="stalled", passes_of="at286-1", **common)
    return [first, second]


def fill(path: Path) -> None:
    import benchd.store as then
    from benchd.store import Result, Store

    study = then.StoredStudy if hasattr(then, "StoredStudy") else then.Study
    with Store.open(path) as store:
        for boot in boots():
            store.save_boot(boot, capture=f"captures/at286/{boot.id}.pcapng")
        store.save_study(study(name="card", document={"question": "why?"}, created=AT[0], edited=AT[0]))
        store.start_trial(study="card", machine="at286", setup={"base": "C8"}, changed={}, started=AT[0], note="first")
        store.start_trial(study="card", machine="at286", setup={"base": "D0"}, changed={"base": "D0"}, started=AT[3])
        store.add_result(
            only_known(Result, trial="T1", boot="at286-1", check="c", passed=True, entered=AT[1], note="n")
        )
        store.add_result(only_known(Result, boot="at286-2", check="c", passed=False, entered=AT[3]))
        if hasattr(store, "leave_out"):
            from benchd.store import Hand

            store.leave_out("at286-2", "mains failed", Hand(AT[4]))
            store.move_boot("at286-2", "T2", Hand(AT[5]))


def first_schema(path: Path) -> None:
    import sqlalchemy as sa

    from benchd.store.database import upgrade

    engine = sa.create_engine(f"sqlite:///{path}")
    with engine.begin() as connection:
        upgrade(connection, "0001")
    engine.dispose()
    newer = path.with_name("newer.db")
    fill(newer)
    with sqlite3.connect(path) as own:
        own.execute("ATTACH ? AS newer", (str(newer),))
        for table in ("boot", "stage", "finding", "boot_check"):
            names = ", ".join(row[1] for row in own.execute(f"PRAGMA main.table_info({table})"))
            own.execute(f"INSERT INTO main.{table} ({names}) SELECT {names} FROM newer.{table}")
    own.close()


def main(target: str, version: str = "") -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "benchd.db"
        first_schema(path) if version else fill(path)
        found = sqlite3.connect(path)
        Path(target).write_text("\n".join(found.iterdump()) + "\n", "utf-8")
        found.close()


if __name__ == "__main__":
    main(*sys.argv[1:])
