"""A draft rule table from captures of good boots: what `inference.draft` finds, written as TOML to be filled in."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from benchd.errors import ExternalError
from benchd.inference.bootlog import FINISHED, MAX_EVENTS, BootLog, Event
from benchd.inference.draft import Draft, DraftStage
from benchd.studies.comparing import boot_log, logged
from benchd.tomlfile import toml_value
from benchd.vocabulary.models import Boot

LIMIT_LEAST_S = 10.0
LIMIT_TIMES = 3.0
"""A drafted limit is generous: the daemon learns tighter ones from good boots, and crying wolf costs trust."""
PATTERN_MOST = 120


@dataclass(frozen=True, slots=True)
class CaptureBoots:
    """Boots read from captures, what was left out, and which files break off."""

    logs: tuple[BootLog, ...]
    notes: tuple[str, ...]
    problems: tuple[str, ...]


def read_boots(paths: Sequence[Path], rules: str | None = None, *, lines: bool | None = None) -> CaptureBoots:
    """Boots of captures with their codes; console lines too with `lines` (None: only where there are no codes).

    Where some boots finished by the table they were judged by, only those are taken as good; where none did
    (the table does not know this firmware) all are. Raises UsageError or ExternalError for unreadable files.
    """
    from benchd.watch.replay import Replay
    from benchd.watch.trace import all_boots

    replay = Replay(paths, rules)
    boots: dict[str, Boot] = {}
    events: dict[str, list[Event]] = {}
    for boot, seen in all_boots(replay, MAX_EVENTS + 1):
        boots[boot.id] = boot
        events[boot.id] = sorted(filter(None, map(logged, seen)), key=lambda event: event.t_s)
    if not boots:
        raise ExternalError(f"{', '.join(str(path) for path in paths)[:300]}: no boot in these captures")
    if lines is None:
        lines = not any(event.kind == "code" for own in events.values() for event in own)
    chosen, good, notes = _good(list(boots.values()))
    logs = []
    for boot in chosen:
        own = [event for event in events.get(boot.id, []) if lines or event.kind == "code"]
        log = boot_log(boot, own)
        logs.append(log if good else replace(log, outcome=FINISHED, end_s=_last(own), stages=()))
    return CaptureBoots(tuple(logs), tuple(notes), tuple(replay.problems))


def _good(boots: Sequence[Boot]) -> tuple[list[Boot], bool, list[str]]:
    """The boots to draft from, whether they finished by the table that judged them, and what was left out."""
    whole = [boot for boot in boots if boot.passes_of is None and boot.outcome != "link-lost"]
    good = [boot for boot in whole if boot.outcome == "finished"]
    left = len(boots) - len(whole)
    notes = [f"{left} boots with a lost link, or passes of a loop, left out"] if left else []
    if not good:
        return whole, False, [*notes, "no boot finished by the table it was judged by: all are taken as good"]
    if len(good) < len(whole):
        notes.append(f"{len(whole) - len(good)} boots that did not finish left out")
    return good, True, notes


def _last(events: Sequence[Event]) -> float:
    return max([0.0, *(event.t_s for event in events)])


def draft_toml(draft: Draft, name: str, captures: int, notes: Sequence[str] = ()) -> str:
    """The draft as a rule table in TOML; names, meanings and causes are left for the person."""
    stages = _unique(draft.stages)
    out = [
        f"# Drafted from {draft.boots} boots, {captures} captures. Names, meanings, sources and stall points are yours",
        "# to write. Limits called a guess rest on fewer than 5 boots. To check the file: benchd rules check FILE",
        *(f"# {note}" for note in (*draft.notes, *notes)),
        "",
        "[table]",
        f"name = {toml_value(name)}",
        f'source = "drafted from {draft.boots} boots of one machine; not published anywhere"',
        'about = "fill in: which board, which firmware"',
        "",
        "[boot]",
    ]
    if draft.starts_with is not None:
        kind, _, value = draft.starts_with.partition(" ")
        out.append(f"starts = [{_when(kind, value)}]")
    longest = max((stage.longest_s or 0.0 for stage in stages), default=0.0)
    out.append(
        f"quiet = {toml_value(_seconds(max(20.0, LIMIT_TIMES * longest)))}   # silence anywhere that counts as a stall"
    )
    for number, stage in enumerate(stages, 1):
        out += ["", *_stage(stage, number, final=number == len(stages))]
    rare = [one.text.partition(" ")[2] for one in draft.rare if one.text.startswith("code ")]
    if rare:
        out += ["", "# Codes seen in few boots; listed so that they are not reported as unknown."]
        for code in sorted(set(rare)):
            out += ["[[code]]", f"code = {toml_value(code)}", 'means = ""']
    return "\n".join(out) + "\n"


def _unique(stages: Sequence[DraftStage]) -> list[DraftStage]:
    """The first rung of each token: a table has one stage for a code, however often it comes again."""
    seen: dict[tuple[str, str], DraftStage] = {}
    for stage in stages:
        seen.setdefault((stage.kind, stage.value), stage)
    return list(seen.values())


def _stage(stage: DraftStage, number: int, *, final: bool) -> list[str]:
    word = stage.value.lower() if stage.kind == "code" else "text"
    lines = [
        "[[stage]]",
        f'name = "stage-{number:02}-{re.sub(r"[^a-z0-9]", "", word)}"',
        f"enter = [{_when(stage.kind, stage.value)}]",
    ]
    if final:
        lines.append("final = true          # the last thing all boots share")
    else:
        if stage.usual_s is not None and stage.usual_s > 0:
            lines.append(f"usual = {toml_value(_seconds(stage.usual_s))}")
        if stage.limit_s is not None:
            told = f"longest seen {stage.longest_s:.3g} s" if stage.longest_s is not None else ""
            generous = max(stage.limit_s, LIMIT_TIMES * (stage.longest_s or 0.0), LIMIT_LEAST_S)
            lines.append(
                f"limit = {toml_value(_seconds(generous))}   # {stage.limit_kind} {stage.limit_s:.3g} s; {told}"
            )
    if stage.optional and not final:
        lines.append(f"optional = true       # in {stage.seen} of {stage.of} boots")
    if stage.repeats is not None:
        block = f"a block of {stage.repeats.period}" if stage.repeats.period > 1 else "it"
        often = f"{stage.repeats.low} to {stage.repeats.high} times in a row (median {stage.repeats.median:g})"
        lines.append(f"# {block} comes {often}")
    lines.append('means = ""')
    return lines


def _when(kind: str, value: str) -> str:
    if kind == "code":
        return f"{{ code = {toml_value(value)} }}"
    pattern = "".join(r"[0-9]+" if ch == "#" else r"\s+" if ch == " " else re.escape(ch) for ch in value[:PATTERN_MOST])
    return f"{{ text = {toml_value('^' + pattern)} }}"


def _seconds(value: float) -> str:
    return f"{value:.3g}s" if value >= 1 else f"{max(1, round(value * 1000))}ms"
