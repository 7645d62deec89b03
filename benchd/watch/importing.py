"""Boots from other benches: taken into this one's store with their captures, and taken out again."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from benchd.capture import Capture, CaptureWriter, captures_in, read_capture
from benchd.capture.keeper import folder_name
from benchd.capture.packed import file_of, open_capture, pieces, plain_name
from benchd.errors import BenchError, ExternalError, UsageError, system_words
from benchd.store import Hand, Result, Store
from benchd.store.boots import IMPORTED_OTHER, IMPORTED_SAME
from benchd.vocabulary.models import Boot
from benchd.watch.archive import MOST_BYTES, About
from benchd.watch.cutting import Names
from benchd.watch.discard import take_away
from benchd.watch.rebuild import as_ended
from benchd.watch.replay import Replay

NAME_MOST = 64
"""Characters of a machine's name, as in the settings."""
SOURCE = "(imported)"
"""What the note of a result begins with that came along."""


@dataclass(slots=True)
class Imported:
    """The boots that a file brought in, those that were here already, and what could not be read."""

    new: list[Boot] = field(default_factory=list)
    known: list[Boot] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)


class Importer:
    """Takes captures into the data folder `data` and its store. `own`: this bench's machines; `hand`: who does it."""

    def __init__(self, store: Store, data: Path, own: Iterable[str], hand: Hand) -> None:
        self._store, self._data, self._own, self._hand = store, data, set(own), hand

    def take(self, path: Path, name: str | None, same: bool, out: Imported) -> None:
        """Take in one capture; `name` is what its machine is to be called, `same`: it is this bench's machine.

        Doing it again changes nothing. Raises UsageError where the name is taken, ExternalError for disk and store.
        """
        capture = read_capture(path)
        if not capture.version:
            out.problems.append(f"{path}: {capture.problem}")
            return
        about = About.of(capture)
        machine = _checked(capture.machine if name is None else name)
        self._refuse_clash(machine, same, about)
        kept = self._keep(capture, machine, same)
        if capture.problem:  # only what is whole was kept, so that the replay of it has none
            out.problems.append(f"{path}: {capture.problem}")
            if next(read_capture(kept).records(), None) is None:  # not even the rule table that it carried
                take_away(kept)
                return
        replay = Replay([kept], base=self._data)
        found = replay.boots()
        out.problems += replay.problems
        names = Names(machine, {})
        if about is not None:
            wanted = {names.of_boot(boot_id, capture.machine) for boot_id in about.boots}
            found = [boot for boot in found if boot.id in wanted]
        self._save_all(found, kept, about, out)

    def _save_all(self, found: list[Boot], kept: Path, about: About | None, out: Imported) -> None:
        for boot in found:
            new = self._save(as_ended(boot), kept)
            (out.new if new else out.known).append(boot)
            if about is not None and (new or self._store.boot(boot.id).imported):
                self._add_results(boot, about)
        if not self._store.boots_of_capture(str(kept)):  # all were here already, from another file
            take_away(kept)

    def boots_of(self, path: Path) -> list[Boot]:
        """Return the boots that were imported from a capture, whatever its machine was called.

        It is known by what it holds and may have another name now. Raises UsageError where it is none, ExternalError.
        """
        name = f"{_digest(path)[:16]}.pcapng"
        kept = [
            one for part in (IMPORTED_OTHER, IMPORTED_SAME) for one in sorted((self._data / part).glob(f"*/{name}*"))
        ]
        return [boot for one in dict.fromkeys(map(plain_name, kept)) for boot in self._store.boots_of_capture(str(one))]

    def remove(self, boot_id: str) -> Boot:
        """Take an imported boot out again, with the results that came along; its capture too, once none is left of it.

        What people decided about it or wrote on it stays, and is on it again if it is imported again.

        Raises UsageError for a boot of this bench.
        """
        boot = self._store.boot(boot_id)
        if not boot.imported:
            raise UsageError(f"boot {boot.id} was recorded on this bench; only imported boots are removed")
        path = self._store.capture_of(boot.id)
        for result in self._store.results(boot=boot.id):
            if result.id is not None and result.note.startswith(SOURCE):
                self._store.take_back(result.id, self._hand)
        self._store.replace_boots({boot.id: None})
        if path is not None and not self._store.boots_of_capture(path):
            take_away(Path(path))
        return boot

    def _refuse_clash(self, machine: str, same: bool, about: About | None) -> None:
        ours = machine in self._own or any(not boot.imported for boot in self._store.boots(machine=machine, limit=500))
        if same and not ours:
            raise UsageError(f"--same-machine: no machine of this bench is called {machine!r}")
        if ours and not same:
            raise UsageError(
                f"a machine of this bench is called {machine!r}: give the imported one another name with "
                "--machine NAME, or say --same-machine if it is that one"
            )
        others = {about_.origin for about_ in self._abouts(machine)} - {""}
        if about is not None and about.origin and others and about.origin not in others and not same:
            raise UsageError(
                f"boots of another bench's {machine!r} are here already: give this one another name with --machine NAME"
            )

    def _abouts(self, machine: str) -> list[About]:
        out = []
        for path in captures_in(self._data / IMPORTED_OTHER / folder_name(machine)):
            try:
                about = About.of(read_capture(path))
            except BenchError:
                continue
            if about is not None:
                out.append(about)
        return out

    def _keep(self, capture: Capture, machine: str, same: bool) -> Path:
        """Copy a capture into the data folder, under the name that its machine has here."""
        digest = _digest(capture.path)[:16]
        folder = self._data / (IMPORTED_SAME if same else IMPORTED_OTHER) / folder_name(machine)
        path = folder / f"{digest}.pcapng"
        if file_of(path) is not None:
            for _ in capture.records():  # it is kept already; whether it is whole shows at its end
                pass
            return path
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise ExternalError(f"{folder}: cannot be made: {system_words(error)}; see bench.data") from None
        part = folder / f".{digest}.{os.getpid()}.part"
        names = Names(machine, {}, trials=True)
        try:
            with CaptureWriter(
                part, machine=machine, table=capture.table, links=capture.links, wall_ns=capture.wall_ns,
                mono_ns=capture.mono_ns, run=capture.run, file=capture.file,
            ) as out:  # fmt: skip
                for record in capture.records():
                    out.write(names.of(record, capture.machine))
            os.replace(part, path)
        finally:
            part.unlink(missing_ok=True)
        return path

    def _save(self, boot: Boot, path: Path) -> bool:
        try:
            if self._store.boot(boot.id).id == boot.id:
                return False
        except UsageError:
            pass
        self._store.save_boot(boot.model_copy(update={"trial": None}), capture=str(path))
        return True

    def _add_results(self, boot: Boot, about: About) -> None:
        stored = [*self._store.results(boot=boot.id), *self._store.results(boot=boot.id, taken_back=True)]
        there = {(one.check, one.entered) for one in stored}
        wanted = [_result(boot.id, one) for one in about.results]
        self._store.add_results([one for one in wanted if one is not None and (one.check, one.entered) not in there])


def _digest(path: Path) -> str:
    """The SHA-256 of a capture, compressed or not. Raises UsageError for one that is too large."""
    digest, size = hashlib.sha256(), 0
    try:
        opened = open_capture(path)
    except OSError as error:
        raise UsageError(f"capture {path}: {system_words(error)}; name a capture file") from None
    with opened as file:
        for data in pieces(file):
            digest.update(data)
            if (size := size + len(data)) > MOST_BYTES:
                raise UsageError(
                    f"{path}: a capture of more than {MOST_BYTES:,} bytes; that is the most that is imported"
                )
    return digest.hexdigest()


def _result(boot_id: str, value: dict[str, object]) -> Result | None:
    """Return a result that came along, None for what is none."""
    try:
        note = f"{SOURCE} {value.get('note', '')}"
        return Result.model_validate(
            {"boot": boot_id, "note": note.strip(), **{key: value[key] for key in ("check", "passed", "entered")}}
        )
    except (KeyError, ValueError):
        return None


def _checked(machine: str) -> str:
    if not (1 <= len(machine) <= NAME_MOST and machine.isprintable()):
        raise UsageError(
            f"{machine[:80]!r} cannot be a machine's name: 1 to {NAME_MOST} characters that can be shown; "
            "name it with --machine NAME"
        )
    return machine
