"""The option-ROM scan foretold for a setup, held against boots, and what that is worth as evidence.

A study takes part when its document names a `map` file and at least one factor says what it moves there:
`window` (with kind rom-base, a level is that window's base; with kind rom-image, its image) or `places`
(level: {window: base or "off"}).
"""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchd.errors import BenchError, ExternalError, UsageError
from benchd.inference.study import Condition, Evidence, Exclusion, Study
from benchd.store import StoredImage
from benchd.studies.document import FactorPart, StudyDocument
from benchd.vocabulary.models import Boot

if TYPE_CHECKING:
    from benchd.rom.layout import Layout
    from benchd.rom.predict import ScanPrediction
    from benchd.studies.loaded import TrialView

COMBINATIONS = 1_024
"""Most setups of the factors that move something in the map which are looked at for collisions."""
ODDS = 3.0
"""What a prediction that agrees or disagrees with the boots is worth: a hint, never a verdict."""

Images = Mapping[str, StoredImage]
"""Level of a rom-image factor (by "factor=level"): its image in the store."""


def movers(document: StudyDocument) -> list[FactorPart]:
    """The factors that say what they move in the map."""
    return [one for one in document.factor if one.places or (one.window and one.kind in ("rom-base", "rom-image"))]


def can_predict(document: StudyDocument) -> bool:
    return document.map is not None and bool(movers(document))


def base_of(text: str) -> int | None:
    """A jumper's level as an address: "off", a physical address, or the four digits of a segment."""
    from benchd.rom.numbers import parse_address

    word = text.strip().upper().removesuffix("H")
    if word in ("OFF", "NONE"):
        return None
    if len(word) == 4 and word[0] in "ABCDEF":
        word += ":0000"  # on a jumper's label four digits are always the segment
    return parse_address(word)


def read_image(image: StoredImage) -> bytes:
    """The bytes of an image from where it was read. Raises ExternalError when they are not the same any more."""
    from benchd.files import read_bytes
    from benchd.rom.loading import read_image_file

    path = Path(image.path or "")
    if image.path is None:
        raise ExternalError(f"image {image.name}: its file is not known; enter it by file again")
    if hashlib.sha256(read_bytes(path)).hexdigest() != image.sha256:
        raise ExternalError(f"{path}: not the image any more that the trial had ({image.sha256[:12]})")
    return read_image_file(path)[0]


def layout_of(document: StudyDocument, setup: Mapping[str, str], images: Images) -> Layout:
    """The document's map, changed as `setup` says. Raises UsageError or ExternalError naming what is wrong."""
    from benchd.rom.loading import load_map

    if document.map is None:
        raise UsageError('the study names no map: add `map = "FILE.toml"` to its document')
    layout = load_map(Path(document.map))[1]
    for factor in movers(document):
        level = setup.get(factor.name)
        if level is None:
            continue
        try:
            for window, where in factor.places.get(level, {}).items():
                layout = layout.changed(window, base=base_of(where))
            if factor.window and factor.kind == "rom-base":
                layout = layout.changed(factor.window, base=base_of(level))
        except ValueError as error:
            raise UsageError(f"factor '{factor.name}', level '{level}': {error}") from None
        if factor.window and factor.kind == "rom-image":
            image = images.get(f"{factor.name}={level}")
            if image is not None:
                layout = layout.changed(factor.window, image=read_image(image), image_name=image.name)
    return layout


def predict_scan(document: StudyDocument, setup: Mapping[str, str], images: Images) -> ScanPrediction:
    """What the option-ROM scan of `setup` is expected to do."""
    from benchd.rom.predict import predict

    return predict(layout_of(document, setup, images))


def explain_boot(
    document: Mapping[str, Any], boot: Boot, codes: Iterable[int] = (), lines: Iterable[str] = ()
) -> list[str]:
    """A stored prediction held against one boot, in sentences; stages come from the boot's record."""
    from benchd.rom.agree import explain

    prediction = _read(document)
    if prediction is None:
        return ["The stored prediction does not read: it was made by another version."]
    return explain(prediction, codes, lines, [stage.name for stage in boot.stages])


def collisions(document: StudyDocument, study: Study, images: Images) -> tuple[tuple[Exclusion, ...], list[str]]:
    """Combinations of levels at which two devices would answer at one address, and notes on what failed."""
    moving = movers(document)
    if document.map is None or not moving:
        return (), []
    sets = [one.levels for one in moving]
    out: list[Exclusion] = []
    notes: list[str] = []
    combinations = list(itertools.islice(itertools.product(*sets), COMBINATIONS + 1))
    if len(combinations) > COMBINATIONS:
        notes.append(f"only {COMBINATIONS} combinations of the map's factors were looked at for collisions")
    for levels in combinations[:COMBINATIONS]:
        setup = {one.name: level for one, level in zip(moving, levels, strict=True)}
        try:
            prediction = predict_scan(document, setup, images)
        except BenchError as error:
            notes.append(f"no prediction: {error}")
            return (), notes
        if prediction.collides:
            where = prediction.overlaps[0]
            reason = f"predicted to collide: {' and '.join(where.parties)} at {where.first:05X}-{where.last:05X}"
            out.append(Exclusion(tuple(Condition(f, "is", v) for f, v in setup.items()), reason))
    return tuple(out), notes


def evidence_of(document: StudyDocument, views: Sequence[TrialView]) -> tuple[Evidence, ...]:
    """What agreement and disagreement of predictions and boots is worth.

    A collision foretold and boots that failed: explanations that name the moving factor's level gain `ODDS`.
    No trouble foretold for a ROM and yet no sign of it in failing boots: what the map knows does not explain
    it, so explanations that name the moving levels lose as much. Each level counts once. A prediction for a setup
    that the machine's own report contradicts is worth nothing.
    """
    failed = [view for view in views if view.fail and not view.ok and view.predictions and not view.differs]
    clashes: dict[tuple[str, str], Evidence] = {}
    silences: dict[tuple[str, str], Evidence] = {}
    for view in failed:
        prediction = _read(view.predictions[-1])
        if prediction is None:
            continue
        for factor in _jumpers(document):
            key = (factor.name, view.setup[factor.name])
            clash = next((one for one in prediction.overlaps if factor.window in one.parties), None)
            if clash is not None:
                why = f"{view.id}: the map foretold that {' and '.join(clash.parties)} collide; it failed"
                clashes[key] = Evidence(why, ODDS, *key)
            elif _never_seen(prediction, view.counting, factor.window):
                why = f"{view.id}: the map foretold that {factor.window} runs, but no boot showed it"
                silences.setdefault(key, Evidence(why, 1 / ODDS, *key))
    return tuple((silences | clashes).values())


def _jumpers(document: StudyDocument) -> list[FactorPart]:
    """The factors whose levels are bases of a window of the map."""
    return [one for one in movers(document) if one.kind == "rom-base" and one.window] if document.map else []


def _never_seen(prediction: ScanPrediction, boots: Iterable[Boot], window: str | None) -> bool:
    """Whether a ROM that is predicted to run gave no sign in any of the boots."""
    from benchd.rom.agree import compare

    found = [
        one
        for boot in boots
        for one in compare(prediction, (), (), [stage.name for stage in boot.stages])
        if one.window == window
    ]
    return bool(found) and all(one.agrees is False and one.predicted for one in found)


def _read(document: Mapping[str, Any]) -> ScanPrediction | None:
    """A stored prediction; None where another version made it."""
    from benchd.rom.predict import ScanPrediction

    try:
        return ScanPrediction.from_json(document)
    except (KeyError, TypeError, ValueError):
        return None
