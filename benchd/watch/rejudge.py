"""Old boots judged again by another table, in the store: records, and so verdicts and studies, follow.

The captures stay as they are. Beside each a copy of the table is put, by which it is judged from then on: by
`rebuild`, by whoever reads a boot's codes and lines, and by the next start. Boots that begin elsewhere by the new table
have other ids: what people entered for a boot goes to the one that now covers its start; a boot that a person moved to
another trial stays there.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from pathlib import Path

from benchd.capture import Capture
from benchd.errors import UsageError
from benchd.files import write_new
from benchd.rules.files import beside
from benchd.store import Store
from benchd.vocabulary.models import Boot
from benchd.watch.rebuild import Rebuilt, as_ended, boots_in, boots_of, runs_of
from benchd.watch.replay import Replay


def rejudge(
    store: Store,
    paths: Iterable[Path],
    base: Path,
    table: str | None,
    *,
    machine: str | None = None,
    told: Callable[[str], None] = lambda text: None,
) -> Rebuilt:
    """Judge the boots in captures again by a table's text, None: by those that were in force when they were recorded.

    `machine` leaves out captures of others. No benchd may run on these captures. Raises ExternalError where the store
    or a table beside a capture cannot be written; files that cannot be read are told in the answer.
    """
    out = Rebuilt(0, 0, [])
    for run in runs_of(paths, out.problems):
        if machine is not None and run[0].machine != machine:
            continue
        files = [capture.path for capture in run]
        try:
            by_hand = _moved_by_hand(store, files, base)
            # Judged first: where that fails captures and store stay as they are, of one mind.
            replay = Replay(files, base=base, table=table, judged_again=False)
            found = [(as_ended(boot), capture) for boot, capture in boots_in(replay, out.problems)]
            _put_beside(files, table)
        except UsageError as error:  # its table is gone, or is wrong
            out.problems.append(f"{files[0].parent}: {error}")
            continue
        out.found += len(found)
        out.before += sum(len(store.boots_of_capture(str(path))) for path in files)
        out.stored += _replace(store, run, found, by_hand)
        told(f"{run[0].machine}: {len(files)} files from {files[0].name} on, {len(found)} boots")
    return out


def _put_beside(files: Sequence[Path], table: str | None) -> None:
    for path in files:
        if table is None:
            beside(path).unlink(missing_ok=True)
        else:
            write_new(beside(path), table.encode(), True, [])


def _moved_by_hand(store: Store, files: Sequence[Path], base: Path) -> dict[str, str | None]:
    """Boots in the store whose trial is not the one that the captures tell: by id, the trial they were moved to."""
    told = {boot.id: boot.trial for boot, _ in boots_of(list(files), base, [])}
    stored = [boot for path in files for boot in store.boots_of_capture(str(path))]
    return {boot.id: boot.trial for boot in stored if boot.id in told and told[boot.id] != boot.trial}


def _replace(
    store: Store, run: Sequence[Capture], found: Sequence[tuple[Boot, Path]], by_hand: dict[str, str | None]
) -> int:
    """Store the boots of a run as they are judged now, and take out those that are none any more; return how many."""
    old = [boot for capture in run for boot in store.boots_of_capture(str(capture.path))]
    new = sorted((boot for boot, _ in found), key=lambda boot: _start(boot))
    starts = [_start(boot) for boot in new]

    def covering(boot: Boot) -> Boot | None:
        place = bisect_right(starts, _start(boot))
        return new[max(place - 1, 0)] if new else None

    stands_for = {boot.id: covering(boot) for boot in old}
    trials = {there.id: by_hand[own] for own, there in stands_for.items() if own in by_hand and there is not None}
    for boot, capture in found:
        chosen = boot.model_copy(update={"trial": trials[boot.id]}) if boot.id in trials else boot
        store.save_boot(chosen, capture=str(capture))
    kept = {boot.id for boot in new}
    gone = {own: there.id if there is not None else None for own, there in stands_for.items() if own not in kept}
    store.replace_boots(gone)
    return len(found)


def _start(boot: Boot) -> datetime:
    return datetime.fromisoformat(boot.started)
