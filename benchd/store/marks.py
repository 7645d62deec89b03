"""What people decided about boots: to which trial they belong, that they are left out, notes and labels.

It is kept apart from what captures tell and laid over it when boots are read: whatever puts boots into the store again
(a rebuild, judging again, a recovery) cannot undo it. Where judging again makes other boots of old ones, what was
decided about a boot goes to the one that stands for it, and back (`Boots.replace_boots`).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from benchd.errors import UsageError
from benchd.store import schema
from benchd.store.database import Database
from benchd.store.log import write_down
from benchd.store.study_models import Hand
from benchd.store.turns import again
from benchd.vocabulary.models import Boot

REASON_MOST = 400
NOTE_MOST = 10_000
LABELS_MOST, LABEL_MOST = 20, 40

_mark = schema.boot_mark


def gone_trials() -> sa.Select[Any]:
    """Ids of the trials that were deleted, or whose study was."""
    trial, study = schema.trial, schema.study
    gone = sa.or_(trial.c.deleted.is_not(None), study.c.deleted.is_not(None))
    return sa.select(trial.c.id).join(study, study.c.name == trial.c.study).where(gone)


def moved(boot: sa.ColumnElement[str]) -> sa.ColumnElement[bool]:
    """Whether a person said to which trial a boot belongs."""
    return sa.exists().where(_mark.c.boot == boot, _mark.c.moved)


def is_left_out(boot: sa.ColumnElement[str]) -> sa.ColumnElement[bool]:
    """Whether a person left a boot out."""
    return sa.exists().where(_mark.c.boot == boot, _mark.c.left_out.is_not(None))


def chosen(boot: sa.ColumnElement[str]) -> sa.ScalarSelect[Any]:
    """The trial that a person said it belongs to."""
    newest = sa.select(_mark.c.trial).where(_mark.c.boot == boot, _mark.c.moved).order_by(_mark.c.made_for.desc())
    return newest.limit(1).scalar_subquery()


def boots_of_trial(trial: str) -> sa.Select[Any]:
    """Ids of the boots that belong to a trial now."""
    boot = schema.boot
    told = sa.and_(boot.c.trial == trial, ~moved(boot.c.id))
    put = boot.c.id.in_(sa.select(_mark.c.boot).where(_mark.c.moved, _mark.c.trial == trial))
    return sa.select(boot.c.id).where(sa.or_(told, put), sa.literal(trial, schema.SafeText()).not_in(gone_trials()))


def laid_over(connection: sa.Connection, boots: Sequence[Boot], ids: sa.Select[Any]) -> list[Boot]:
    """Boots as people decided about them. A trial that was deleted is none."""
    gone = set(connection.execute(gone_trials()).scalars())
    marks: dict[str, list[Mapping[str, Any]]] = defaultdict(list)
    for row in connection.execute(sa.select(_mark).where(_mark.c.boot.in_(ids)).order_by(_mark.c.made_for)).mappings():
        marks[row["boot"]].append(dict(row))
    if not gone and not marks:
        return list(boots)
    return [_decided(boot, marks[boot.id], gone) for boot in boots]


def _decided(boot: Boot, marks: Sequence[Mapping[str, Any]], gone: set[str]) -> Boot:
    """Several marks: judged again, one boot stands for several. It is left out if one of them was."""
    trial = next((one["trial"] for one in reversed(marks) if one["moved"]), boot.trial)
    update: dict[str, Any] = {"trial": None if trial in gone else trial}
    if marks:
        update |= {
            "left_out": next((one["left_out"] for one in marks if one["left_out"] is not None), None),
            "note": "\n".join(one["note"] for one in marks if one["note"]),
            "labels": list(dict.fromkeys(label for one in marks for label in one["labels"])),
        }
    return boot.model_copy(update=update)


class Marks:
    """The part of `Store` about what people decided about boots. A boot is named by its id or a unique prefix."""

    _database: Database

    if TYPE_CHECKING:  # in other parts of `Store`

        def _boot_id(self, connection: sa.Connection, prefix: str) -> str: ...

        def _decided_boot(self, connection: sa.Connection, boot_id: str) -> Boot: ...

        def _trial_row(self, connection: sa.Connection, trial_id: str) -> Mapping[str, Any]: ...

    @again
    def move_boot(self, boot: str, trial: str | None, hand: Hand | None = None) -> Boot:
        """Let a boot belong to `trial`, None: to none; the passes of one loop go together.

        Raises UsageError for a boot or trial that there is not.
        """
        with self._database.write() as connection:
            known = self._decided_boot(connection, self._boot_id(connection, boot))
            before = _belonged(connection, known.id)
            study = None if trial is None else self._trial_row(connection, trial)["study"]
            if study is None and known.trial is not None and _has_trial(connection, known.trial):
                study = self._trial_row(connection, known.trial)["study"]
            for one in _loop_of(connection, known):
                self._mark(connection, one, {"moved": True, "trial": trial}, {"moved": False, "trial": None})
            if before != trial:
                write_down(
                    connection, hand, "boot-moved", boot=known.id, trial=trial, study=study, before=before,
                    after=trial,
                )  # fmt: skip
            return self._decided_boot(connection, known.id)

    def leave_out(self, boot: str, reason: str, hand: Hand | None = None) -> Boot:
        """Let a boot count nowhere, for a reason. Raises UsageError for a boot that there is not, or no reason."""
        reason = " ".join(reason.split())
        if not 1 <= len(reason) <= REASON_MOST:
            raise UsageError(f"say why the boot is left out, in 1 to {REASON_MOST} characters, not {len(reason)}")
        return self._put(boot, "left_out", reason, "boot-left-out", hand)

    def count_boot(self, boot: str, hand: Hand | None = None) -> Boot:
        """Count a boot again that was left out; one that counts stays as it is."""
        return self._put(boot, "left_out", None, "boot-counted", hand)

    def note_boot(self, boot: str, text: str, hand: Hand | None = None) -> Boot:
        """Put a note on a boot in place of the one that it has; "" takes it off."""
        if len(text.strip()) > NOTE_MOST:
            raise UsageError(f"a note has at most {NOTE_MOST} characters, not {len(text.strip())}")
        return self._put(boot, "note", text.strip(), "boot-noted", hand)

    def label_boot(self, boot: str, labels: Sequence[str], hand: Hand | None = None) -> Boot:
        """Put labels on a boot in place of those that it has. Raises UsageError for what is no label."""
        wanted = list(dict.fromkeys(" ".join(label.split()) for label in labels))
        if len(wanted) > LABELS_MOST:
            raise UsageError(f"a boot has at most {LABELS_MOST} labels, not {len(wanted)}")
        for label in wanted:
            if not 1 <= len(label) <= LABEL_MOST or "," in label:
                raise UsageError(f"a label has 1 to {LABEL_MOST} characters and no comma: '{label[:60]}' cannot be one")
        return self._put(boot, "labels", wanted, "boot-labelled", hand)

    @again
    def _put(self, boot: str, field: str, value: Any, kind: Any, hand: Hand | None) -> Boot:
        empty: Any = {"left_out": None, "note": "", "labels": []}[field]
        with self._database.write() as connection:
            known = self._decided_boot(connection, self._boot_id(connection, boot))
            self._mark(connection, known.id, {field: value}, {field: empty})
            now = self._decided_boot(connection, known.id)
            before, after = _text(getattr(known, field)), _text(getattr(now, field))
            if before != after:
                there = known.trial is not None and _has_trial(connection, known.trial)
                study = self._trial_row(connection, str(known.trial))["study"] if there else None
                write_down(
                    connection, hand, kind, boot=known.id, trial=known.trial, study=study, before=before, after=after
                )
            return now

    def _mark(self, connection: sa.Connection, boot_id: str, own: Mapping[str, Any], others: Mapping[str, Any]) -> None:
        """Set fields of a boot's own mark, and clear them in those that it has from boots it stands for."""
        connection.execute(
            sa.update(_mark).where(_mark.c.boot == boot_id, _mark.c.made_for != boot_id).values(**others)
        )
        connection.execute(self._database.upsert(_mark, {"made_for": boot_id, "boot": boot_id, **own}))


def _text(value: Any) -> str | None:
    return (", ".join(value) if isinstance(value, list) else value) or None


def _belonged(connection: sa.Connection, boot_id: str) -> str | None:
    """The trial that a boot belongs to, also where that is deleted and so is shown as none."""
    boot = schema.boot
    own = sa.case((moved(boot.c.id), chosen(boot.c.id)), else_=boot.c.trial)
    found: str | None = connection.execute(sa.select(own).where(boot.c.id == boot_id)).scalar_one()
    return found


def _has_trial(connection: sa.Connection, trial: str) -> bool:
    found = sa.select(schema.trial.c.id).where(schema.trial.c.id == trial, schema.trial.c.id.not_in(gone_trials()))
    return connection.execute(found).scalar() is not None


def _loop_of(connection: sa.Connection, known: Boot) -> list[str]:
    """The boot, with the passes of the loop that it is, or is one of."""
    boot, whole = schema.boot, known.passes_of or known.id
    passes = sa.select(boot.c.id).where(sa.or_(boot.c.passes_of == whole, boot.c.id == whole))
    return sorted({known.id, *connection.execute(passes).scalars()})
