"""The first megabyte over HTTP: a machine's map file, jumpers moved on trial, the scan against a boot."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from fastapi import APIRouter, HTTPException, Query

from benchd.errors import BenchError, UsageError
from benchd.web.boots import find_boot, record_of
from benchd.web.record import Records
from benchd.web.responses import MapPage, MapWindow

if TYPE_CHECKING:
    from benchd.rom.agree import Agreement
    from benchd.rom.layout import Layout, Window
    from benchd.rom.mapfile import MapFile
    from benchd.rom.moves import MapReport
    from benchd.vocabulary.models import Boot
    from benchd.web.bench import ServedBench

OFF = "off"


def map_routes(daemon: ServedBench, records: Records) -> APIRouter:
    """Return the route of maps."""
    routes = APIRouter(prefix="/api")

    @routes.get("/maps/{machine}")
    def the_map(
        machine: str,
        move: Annotated[list[str] | None, Query(max_length=64, description="WINDOW=ADDRESS, or off")] = None,
        boot: Annotated[str | None, Query(description="to hold it against; else the newest that ended")] = None,
    ) -> MapPage:
        """Map a machine's first megabyte, with windows moved as asked, and predict its option-ROM scan.

        The setup is that of the running trial where its study has a map, else the settings' map file.
        """
        if machine not in daemon.runs:
            raise HTTPException(404, f"no machine is called {machine!r}")
        try:
            return _page(daemon, records, machine, move or [], boot)
        except UsageError as error:
            raise HTTPException(422, str(error)) from None
        except BenchError as error:
            raise HTTPException(500, str(error)) from None

    return routes


def _stands(daemon: ServedBench, machine: str) -> tuple[Path, MapFile, Layout, list[str], dict[str, bytes]]:
    """Return (map file, what it wants, the layout as the machine stands, notes, the study's images).

    Raises UsageError for no map.
    """
    from benchd.rom.loading import load_map
    from benchd.studies.loaded import complete, open_study
    from benchd.studies.measuring import known_images
    from benchd.studies.scan_prediction import can_predict, layout_of
    from benchd.studies.service import images_of

    path = daemon.loaded.resolve(daemon.runs[machine].part.map)
    trial = daemon.store.current_trial(machine)
    if trial is not None:
        known = open_study(daemon.store, trial.study)
        if can_predict(known.document) and known.document.map is not None:
            own = Path(known.document.map)
            found, _, notes = load_map(own)
            setup = complete(known.study, trial.setup)[0]
            layout = layout_of(known.document, setup, images_of(daemon.store, known.document))
            told = [*notes, f"as trial {trial.id} of study {trial.study} is set up"]
            return own, found, layout, told, known_images(daemon.store, known.document)
    if path is None:
        raise UsageError(f'the settings name no map file for {machine}: add map = "FILE" to it')
    found, layout, notes = load_map(path)
    return path, found, layout, notes, {}


def _page(daemon: ServedBench, records: Records, machine: str, move: list[str], boot_id: str | None) -> MapPage:
    from benchd.rom.layout import Layout, areas
    from benchd.rom.mapfile import room_for
    from benchd.rom.measured import hold
    from benchd.rom.moves import apply, report

    path, found, layout, notes, images = _stands(daemon, machine)
    moved = dict(_parse_move(text, layout.windows) for text in move)
    windows = apply(layout.windows, tuple(moved.items()))
    changed = Layout(windows, layout.rules, layout.floating)
    boot = find_boot(daemon, boot_id) if boot_id else _newest(daemon, machine)
    said = boot if boot_id else daemon.store.newest_measured(machine)
    measured = said.measured if said is not None else None
    # Held against the setup as it stands: a jumper that is moved here only was not when the machine told.
    held = None if said is None or measured is None else hold(layout, measured, said.id, images)
    told = report(changed, room_for(found, changed, measured=measured), held)
    places: dict[int, list[int]] = {}
    for area in areas(windows):
        places.setdefault(area.window, []).append(area.first)
    return MapPage(
        machine=machine,
        file=path.name,
        windows=[
            MapWindow(
                name=w.name,
                kind=w.kind,
                base=w.base,
                size=w.size,
                card=w.card,
                image=w.image_name,
                places=places.get(n, []),
                positions=list(w.positions),
            )
            for n, w in enumerate(windows)
        ],
        moved=moved,
        map=told,
        notes=notes,
        boot=boot.id if boot else None,
        agreement=_agreement(daemon, records, told, boot),
    )


def _parse_move(text: str, windows: tuple[Window, ...]) -> tuple[str, int | None]:
    from benchd.rom.numbers import MEGABYTE, parse_address

    name, equals, place = text.rpartition("=")
    window = next((w for w in windows if w.name == name), None)
    if not equals or window is None:
        known = ", ".join(w.name for w in windows)
        raise UsageError(f"{text!r}: write WINDOW=ADDRESS; the windows are {known}")
    if place == OFF:
        return name, None
    try:
        base = parse_address(place)
    except ValueError as error:
        raise UsageError(f"{text!r}: {error}") from None
    if base + window.size > MEGABYTE:
        raise UsageError(f"{text!r}: {window.size:,} bytes from there reach past FFFFF")
    return name, base


def _newest(daemon: ServedBench, machine: str) -> Boot | None:
    boots = daemon.store.boots(machine=machine, limit=20)
    return next((boot for boot in boots if boot.outcome != "running"), None)


def _agreement(daemon: ServedBench, records: Records, told: MapReport, boot: Boot | None) -> list[Agreement]:
    from benchd.rom.agree import compare

    if boot is None:
        return []
    record = record_of(daemon, records, boot)
    codes = {int(code.code, 16) for code in record.codes}
    lines = [line.text for line in record.lines]
    return list(compare(told, codes, lines, [stage.name for stage in boot.stages]))
