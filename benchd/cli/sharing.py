"""`benchd boots export`, `import` and `remove`: boots to and from other benches, tables and waveforms of boots.

Listing boots is asked for often and needs none of what judges captures: that is imported where it is used.
"""

from __future__ import annotations

import hashlib
import platform
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli.common import ConfigOption, JsonOption, settings_of, store_of
from benchd.cli.output import clean, emit_json, tell
from benchd.errors import UsageError
from benchd.inference.wording import counted
from benchd.store import Store
from benchd.vocabulary.models import Boot

if TYPE_CHECKING:
    from benchd.watch.archive import About
    from benchd.watch.cutting import Cut
    from benchd.watch.importing import Imported, Importer

SCRUBBED = "scrubbed: names of the machine and its links, port paths and what was said about ports, {more}this computer"
MORE = {"labels": "trial and study, ", "results": "results entered by hand, ", "notes": "notes, "}
NOT_SCRUBBED = (
    "not scrubbed: what came over the links (console text may hold names), the rule table with its comments, "
    "date and time{more}. Look at it before you send it: `benchd replay {file}`"
)

NAMED = 5
"""Further boots named one by one."""
Force = Annotated[bool, typer.Option("--force", help="Overwrite an existing output.")]


def register(group: typer.Typer) -> None:
    """Add the commands to those of `boots`."""
    group.command("export")(export_boots)
    group.command("import")(import_boots)
    group.command("remove")(remove_boots)


def _named(store: Store, names: Sequence[str]) -> list[Boot]:
    """Return the boots asked for, each once; `last` is the newest."""
    found: dict[str, Boot] = {}
    for name in names:
        newest = store.boots(limit=1) if name == "last" else []
        if name == "last" and not newest:
            raise UsageError("no boots are stored yet")
        boot = newest[0] if newest else store.boot(name)
        found[boot.id] = boot
    return list(found.values())


def export_boots(
    boots: Annotated[
        list[str] | None, typer.Argument(help="Ids, or their beginnings; `last` for the newest.", metavar="BOOT...")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Capture of one boot; for several a name that ends in .zip.")
    ] = None,
    parquet: Annotated[Path | None, typer.Option(help="Table of boots and stage times; without BOOT of all.")] = None,
    vcd: Annotated[Path | None, typer.Option(help="The codes of one boot, for a waveform viewer.")] = None,
    machine: Annotated[str | None, typer.Option(help="What the machine is called in it. Default: a number.")] = None,
    results: Annotated[bool, typer.Option("--results", help="With results that were entered by hand.")] = False,
    notes: Annotated[bool, typer.Option("--notes", help="With notes, of results and of the trial.")] = False,
    labels: Annotated[bool, typer.Option("--labels", help="With the trial, its setup, and the study's name.")] = False,
    force: Force = False,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Export boots: for another bench, as a table, as a waveform.

    A boot goes with its rule table and the settings of its links, and is the same boot where it is played or imported.

    Exit codes: 0 fine, 1 a file or the store failed, 2 no such boot, or wrong use.
    """
    wanted = {"labels": labels, "results": results, "notes": notes}
    if sum(one is not None for one in (out, parquet, vcd)) != 1:
        raise UsageError("give one of --out, --parquet and --vcd")
    if out is None and (machine is not None or any(wanted.values())):
        raise UsageError("--machine, --results, --notes and --labels go with --out")
    base = settings_of(config).base
    with store_of(config) as store:
        found = _named(store, boots or ())
        if parquet is not None:
            found = found if boots else store.boots(newest_first=False)
            tell_of = _write_table(found, parquet, force)
        elif not found:
            raise UsageError("name the boots to export; `benchd boots` lists them")
        elif vcd is not None:
            tell_of = _write_waveform(store, base, found, vcd, force)
        else:
            assert out is not None
            tell_of = _write_captures(store, base, found, out, machine, wanted, force)
    if json:
        emit_json(tell_of[0])
    else:
        tell(clean(line) for line in tell_of[1])


Told = tuple[dict[str, Any], list[str]]
"""What was written, as JSON and in words."""


def _write_table(found: Sequence[Boot], path: Path, force: bool) -> Told:
    from benchd.files import write_new
    from benchd.studies.boottables import parquet_bytes

    write_new(path, parquet_bytes(found), force, [])
    return {"out": str(path), "boots": len(found)}, [f"{path}: {counted(len(found), 'boot')}"]


def _write_waveform(store: Store, base: Path, found: Sequence[Boot], path: Path, force: bool) -> Told:
    from benchd.files import write_new
    from benchd.watch.waveform import waveform

    if len(found) != 1:
        raise UsageError(f"--vcd takes one boot; {len(found)} were named")
    text, codes = waveform(found[0], Path(_capture(store, found[0])), base)
    write_new(path, text.encode(), force, [])
    told = {"out": str(path), "boots": 1, "codes": codes}
    return told, [f"{path}: {counted(codes, 'code')} of boot {found[0].id}"]


def _capture(store: Store, boot: Boot) -> str:
    path = store.capture_of(boot.id)
    if path is None:
        raise UsageError(f"boot {boot.id} has no capture")
    return path


def _write_captures(
    store: Store,
    base: Path,
    found: Sequence[Boot],
    out: Path,
    machine: str | None,
    wanted: dict[str, bool],
    force: bool,
) -> Told:
    from benchd.files import write_new
    from benchd.watch.archive import pack
    from benchd.watch.cutting import Cutter

    if len(found) > 1 and out.suffix.lower() != ".zip":
        raise UsageError(f"{counted(len(found), 'boot')} go into an archive: give --out a name that ends in .zip")
    if machine is not None and len({boot.machine for boot in found}) > 1:
        raise UsageError("the boots are of several machines: --machine can name only one")
    cutter = Cutter(base)
    captures, told, remarks = [], [], []
    for boot in found:
        origin = _origin(store, boot.machine)
        name = machine or f"machine-{origin}"
        cut = cutter.cut(boot, Path(_capture(store, boot)), name, trials=wanted["labels"])
        captures.append(_bytes_of(cut, _about(store, boot, cut, origin, wanted)))
        told.append({"id": boot.id, "as": cut.boot.id, "others": len(cut.others), "off_s": cut.off_s})
        remarks += _remarks(boot, cut)
    data = pack(captures) if out.suffix.lower() == ".zip" else captures[0]
    write_new(out, data, force, [])
    left = "".join(text for key, text in MORE.items() if not wanted[key])
    kept = "".join(f", {text.removesuffix(', ')}" for key, text in MORE.items() if wanted[key])
    lines = [f"{out}: {counted(len(found), 'boot')}, {len(data):,} bytes", *remarks]
    if out.suffix.lower() not in (".pcapng", ".zip"):
        lines.append(f"{out} is a capture (pcapng), no text: under a name that ends in .pcapng programs open it as one")
    lines += [SCRUBBED.format(more=left), NOT_SCRUBBED.format(more=kept, file=out)]
    return {"out": str(out), "boots": told, "scrubbed": lines[-2], "not_scrubbed": lines[-1]}, lines


def _remarks(boot: Boot, cut: Cut) -> list[str]:
    out = []
    if cut.others:
        what = f"{counted(len(cut.others), 'further boot')} {'is' if len(cut.others) == 1 else 'are'}"
        named = ", ".join(cut.others[:NAMED]) + (", ..." if len(cut.others) > NAMED else "")
        out.append(f"{boot.id}: {what} in the file, without which it cannot be judged as it was: {named}")
    if cut.off_s:
        out.append(f"{boot.id}: its times differ by up to {cut.off_s:.2g} s from those here")
    return out


def _origin(store: Store, machine: str) -> str:
    """Return a word that is the same for all boots of a machine on this bench, and says nothing of either."""
    return hashlib.sha256(f"{platform.node()}\0{store.where}\0{machine}".encode()).hexdigest()[:6]


def _about(store: Store, boot: Boot, cut: Cut, origin: str, wanted: dict[str, bool]) -> About:
    from benchd.studies.scrub import scrub
    from benchd.watch.archive import About

    trial = None if boot.trial is None else store.trial(boot.trial)
    labels = {} if trial is None or not wanted["labels"] else {
        "trial": trial.id, "study": trial.study, "setup": trial.setup, "changed": trial.changed,
    }  # fmt: skip
    kept: list[dict[str, Any]] = []
    for result in store.results(boot=boot.id) if wanted["results"] else ():
        one: dict[str, Any] = {"check": result.check, "passed": result.passed, "entered": result.entered}
        kept.append(one | ({"note": scrub(result.note)} if wanted["notes"] and result.note else {}))
    if wanted["labels"] and boot.labels:
        labels["labels"] = list(boot.labels)
    notes = [boot.note, *([trial.note] if trial is not None else [])] if wanted["notes"] else []
    note = "\n".join(scrub(one) for one in notes if one)
    return About((cut.boot.id,), origin, labels, note, tuple(kept))


def _bytes_of(cut: Cut, about: About) -> bytes:
    import tempfile

    with tempfile.TemporaryDirectory(prefix="benchd-") as folder:
        path = Path(folder) / "boot.pcapng"
        cut.write(path, [about.annotation()])
        return path.read_bytes()


def import_boots(
    files: Annotated[list[Path], typer.Argument(help="What `boots export` wrote, or captures.", metavar="FILE...")],
    machine: Annotated[str | None, typer.Option(help="What the machine is to be called here.")] = None,
    same_machine: Annotated[
        bool, typer.Option("--same-machine", help="It is this bench's own machine: limits are learned from it too.")
    ] = False,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Take boots of other benches into the store.

    They are shown as imported, belong to no trial, and can be taken out again: `benchd boots remove`.

    Exit codes: 0 fine, 1 a file is damaged or the store failed, 2 the name of the machine is taken, or wrong use.
    """
    from benchd.cli.studystore import hand
    from benchd.watch.archive import opened
    from benchd.watch.importing import Imported, Importer

    loaded = settings_of(config)
    done = Imported()
    with store_of(config, write=True) as store, opened(files) as captures:
        importer = Importer(store, loaded.data, [part.name for part in loaded.settings.machine], hand())
        for path in captures:
            importer.take(path, machine, same_machine, done)
    _tell_imported(done, json)


def _tell_imported(done: Imported, json: bool) -> None:
    if json:
        emit_json(
            {
                "imported": [boot.id for boot in done.new],
                "known": [boot.id for boot in done.known],
                "problems": done.problems,
            }
        )
    else:
        known = f", {len(done.known)} were here already" if done.known else ""
        tell([f"{counted(len(done.new), 'boot')} imported{known}", *(f"  {clean(boot.id)}" for boot in done.new)])
    for problem in done.problems:
        print(f"benchd: {clean(problem)}", file=sys.stderr)
    if done.problems:
        raise typer.Exit(1)


def _meant(
    store: Store, importer: Importer, boots: Sequence[str], machine: str | None, file: Path | None
) -> list[Boot]:
    """Return the boots that were named, or all that were imported of a machine or file. Raises UsageError for none."""
    from benchd.watch.archive import opened

    if file is not None:
        with opened([file]) as captures:
            found = list({boot.id: boot for path in captures for boot in importer.boots_of(path)}.values())
        if not found:
            raise UsageError(f"no boot here came from {file}; `benchd boots` lists those there are")
        return found
    found = _named(store, boots)
    if machine is not None:
        found = [boot for boot in store.boots(machine=machine) if boot.imported]
    if not found:
        raise UsageError("no imported boot is meant; `benchd boots` lists them")
    return found


def remove_boots(
    boots: Annotated[
        list[str] | None,
        typer.Argument(help="Ids of imported boots, or their beginnings; `last`.", metavar="BOOT..."),
    ] = None,
    machine: Annotated[str | None, typer.Option(help="All imported boots of this machine.")] = None,
    file: Annotated[
        Path | None, typer.Option("--file", help="All that came from this file, which may have another name now.")
    ] = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Take imported boots out again.

    Results that came along go with them. A boot that was recorded on this bench is refused.

    Exit codes: 0 fine, 1 the store failed, 2 no such boot, or one of this bench.
    """
    from benchd.cli.studystore import hand
    from benchd.watch.importing import Importer

    if sum((bool(boots), machine is not None, file is not None)) != 1:
        raise UsageError(
            "name boots, or give --file FILE for all that came from one, or --machine for all of a machine"
        )
    loaded = settings_of(config)
    with store_of(config, write=True) as store:
        importer = Importer(store, loaded.data, (), hand())
        found = _meant(store, importer, boots or (), machine, file)
        gone = [importer.remove(boot.id).id for boot in found]
    if json:
        emit_json({"removed": gone})
        return
    tell([f"removed: {clean(boot_id)}" for boot_id in gone])
    if kept := [boot.id for boot in found if boot.note or boot.labels or boot.left_out or boot.trial]:
        tell(
            [clean(f"What was decided about or written on {', '.join(kept)} stays: imported again, it has that.", 400)]
        )
