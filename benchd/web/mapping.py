"""The first megabyte over HTTP: a machine's map file, jumpers moved on trial, the scan against a boot."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated

from fastapi import APIRouter, HTTPException, Query

from benchd.errors import BenchError, CallerError
from benchd.rom.numbers import hex_address
from benchd.web.boots import find_boot, record_of
from benchd.web.record import Records
from benchd.web.shapes import MapAgreement, MapPage, MapWindow

if TYPE_CHECKING:
    from benchd.daemon import Daemon
    from benchd.models import Boot
    from benchd.rom.layout import Window
    from benchd.rom.predict import Prediction

OFF = "off"


def map_routes(daemon: Daemon, records: Records) -> APIRouter:
    """Return the route of maps."""
    routes = APIRouter(prefix="/api")

    @routes.get("/maps/{machine}")
    def the_map(
        machine: str,
        move: Annotated[list[str], Query(max_length=64, description="WINDOW=ADDRESS or WINDOW=off")] = [],
        boot: Annotated[str | None, Query(description="the boot to hold it against; the newest that ended")] = None,
    ) -> MapPage:
        """Map a machine's first megabyte, with windows moved as asked, and predict its option-ROM scan."""
        if machine not in daemon.runs:
            raise HTTPException(404, f"no machine is called {machine!r}")
        path = daemon.loaded.resolve(daemon.runs[machine].part.map)
        if path is None:
            raise HTTPException(404, f"the settings name no map file for {machine}: add map = \"FILE\" to it")
        try:
            return _page(daemon, records, machine, move, boot)
        except CallerError as error:
            raise HTTPException(422, str(error)) from None
        except BenchError as error:
            raise HTTPException(500, str(error)) from None

    return routes


def _page(daemon: Daemon, records: Records, machine: str, move: list[str], boot_id: str | None) -> MapPage:
    from benchd.cli.map import load
    from benchd.rom.layout import Layout, areas, free_bases
    from benchd.rom.moves import apply, ways_out
    from benchd.rom.predict import predict

    path = daemon.loaded.resolve(daemon.runs[machine].part.map)
    assert path is not None
    found, layout, notes = load(path)
    trial = daemon.store.current_trial(machine)
    stand = from_setup(trial.setup if trial else {}, layout.windows)
    if stand and trial:
        notes.append(f"{', '.join(stand)}: placed as trial {trial.id} says")
    moved = dict(_parse_move(text, layout.windows) for text in move)
    windows = apply(layout.windows, tuple({**stand, **moved}.items()))
    changed = Layout(windows, layout.rules, layout.floating)
    prediction = predict(changed)
    room = []
    for want in found.want:
        bases = free_bases(windows, layout.rules, want.size)
        fits = [base for base in bases if not want.positions or base in want.positions]
        room.append({"name": want.name, "size": want.size, "bases": [hex_address(base) for base in fits]})
    boot = find_boot(daemon, boot_id) if boot_id else _newest(daemon, machine)
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
        prediction=prediction.to_json(),
        ways=[way.to_json() for way in ways_out(changed)],
        notes=notes,
        room=room,
        boot=boot.id if boot else None,
        agreement=_agreement(daemon, records, prediction, boot),
    )


def from_setup(setup: Mapping[str, str], windows: tuple[Window, ...]) -> dict[str, int | None]:
    """Return where a trial's setup puts windows: a factor named like a window, with its base as level."""
    out: dict[str, int | None] = {}
    for window in windows:
        level = setup.get(window.name)
        if level is None:
            continue
        if level.lower() in (OFF, "none"):
            out[window.name] = None
            continue
        digits = level.lower().removesuffix("h")
        for base in (*window.positions, window.base):
            if base is not None and digits in (f"{base:05x}", f"{base >> 4:04x}"):
                out[window.name] = base
    return out


def _parse_move(text: str, windows: tuple[Window, ...]) -> tuple[str, int | None]:
    from benchd.rom.numbers import MEGABYTE, parse_address

    name, equals, place = text.rpartition("=")
    window = next((w for w in windows if w.name == name), None)
    if not equals or window is None:
        raise CallerError(f"{text!r}: write WINDOW=ADDRESS; the windows are {', '.join(w.name for w in windows)}")
    if place == OFF:
        return name, None
    try:
        base = parse_address(place)
    except ValueError as error:
        raise CallerError(f"{text!r}: {error}") from None
    if base + window.size > MEGABYTE:
        raise CallerError(f"{text!r}: {window.size:,} bytes from there reach past FFFFF")
    return name, base


def _newest(daemon: Daemon, machine: str) -> Boot | None:
    boots = daemon.store.boots(machine=machine, limit=20)
    return next((boot for boot in boots if boot.outcome != "running"), None)


def _agreement(
    daemon: Daemon, records: Records, prediction: Prediction, boot: Boot | None
) -> list[MapAgreement]:
    from benchd.rom.agree import compare

    if boot is None:
        return []
    record = record_of(daemon, records, boot)
    codes = {int(code.code, 16) for code in record.codes}
    held = compare(prediction, codes, [line.text for line in record.lines], [stage.name for stage in boot.stages])
    return [
        MapAgreement(window=one.window, predicted=one.predicted, seen=one.seen, agrees=one.agrees, text=one.text)
        for one in held
    ]
