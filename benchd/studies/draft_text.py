"""A drafted ladder as a rule table in TOML: names from what the machine said, limits, stall points to be filled in."""

from __future__ import annotations

import re
import statistics
from collections.abc import Sequence

from benchd.inference.draft import Draft, DraftStage
from benchd.tomlfile import toml_value

LIMIT_LEAST_S = 10.0
LIMIT_TIMES = 3.0
"""A drafted limit is generous: the daemon learns tighter ones from good boots, and crying wolf costs trust."""
QUIET_LEAST_S = 20.0
PATTERN_MOST = 80
NAME_MOST = 40
NAME_WORDS = 5
LONG_S = 1.0
LONG_TIMES = 3.0
"""A step is long from a second on, if it takes three times the usual step."""
LONGEST = 3
"""So many stages are called long in any case: where machines stand is mostly where they work."""


SPELT = {"#": "[0-9]+", " ": r"\s+"} | {ch: "\\" + ch for ch in r".^$*+?()[]{}|" + "\\"}
"""How a pattern spells what is not itself: runs of digits and of blanks as the token has them, and signs of RE2."""


def token_of(stage: DraftStage) -> str:
    """The token (`Event.token`) that a stage is entered by."""
    return f"{stage.kind} {stage.value}"


def names_of(stages: Sequence[DraftStage]) -> list[str]:
    """A name for each stage, made of its code or of the first words of its text; none twice."""
    out: list[str] = []
    for stage in stages:
        if stage.kind == "code":
            base = f"code-{stage.value.lower()}"
        else:
            words = re.findall(r"[a-z]+[a-z0-9]*|[a-z0-9]*[a-z]+", stage.value.lower())
            base = "-".join(words[:NAME_WORDS])[:NAME_MOST].strip("-") or "line"
        name, number = base, 1
        while name in out:
            number += 1
            name = f"{base}-{number}"
        out.append(name)
    return out


def draft_toml(draft: Draft, name: str, start: str, codes: Sequence[str], notes: Sequence[str]) -> str:
    """Return the table. `start`: the token that a boot starts with; `codes`: all that came, in hex digits."""
    stages, names = draft.stages, names_of(draft.stages)
    longest = max((stage.longest_s or 0.0 for stage in stages), default=0.0)
    long = _long_steps(stages)
    out = [
        f"# Drafted from {draft.boots} boots. Meanings and causes are yours to write: what you learn of a stage, and",
        "# of the stall points that are proposed below it. To check the file: benchd rules check FILE",
        *(f"# {note}" for note in (*notes, *draft.notes)),
        "",
        "[table]",
        f"name = {toml_value(name)}",
        f'source = "drafted from {draft.boots} boots of one machine; not published anywhere"',
        'about = "fill in: which board, which firmware"',
        "",
        "[boot]",
        f"starts = [{_when(*start.split(' ', 1))}]",
        f"quiet = {toml_value(span(max(QUIET_LEAST_S, LIMIT_TIMES * longest)))}   # silence anywhere that is a stall",
    ]
    for n, (stage, called) in enumerate(zip(stages, names, strict=True)):
        out += ["", *_stage(stage, called, final=n == len(stages) - 1)]
        if n in long:
            out += ["", *_stall(stage, called)]
    on_ladder = {stage.value for stage in stages if stage.kind == "code"}
    for code in codes:
        if code.upper() not in on_ladder:
            out += ["", "[[code]]", f"code = {toml_value(code.upper())}", 'means = ""']
    return "\n".join(out) + "\n"


def _long_steps(stages: Sequence[DraftStage]) -> set[int]:
    """Which stages take long, or longest."""
    steps = [stage.usual_s or 0.0 for stage in stages[:-1]]
    usual = statistics.median(steps) if steps else 0.0
    ranked = sorted(range(len(steps)), key=lambda n: -steps[n])[:LONGEST]
    return {n for n, step in enumerate(steps) if n in ranked or step >= max(LONG_S, LONG_TIMES * usual)}


def _limit(stage: DraftStage) -> float:
    return max(stage.limit_s or 0.0, LIMIT_TIMES * (stage.longest_s or 0.0), LIMIT_LEAST_S)


def _stage(stage: DraftStage, name: str, *, final: bool) -> list[str]:
    lines = ["[[stage]]", f"name = {toml_value(name)}", f"enter = [{_when(stage.kind, stage.value)}]"]
    if final:
        lines.append("final = true          # the last thing all boots share")
    else:
        if stage.usual_s is not None and stage.usual_s > 0:
            lines.append(f"usual = {toml_value(span(stage.usual_s))}")
        told = f"   # longest seen {stage.longest_s:.3g} s" if stage.longest_s is not None else ""
        lines.append(f"limit = {toml_value(span(_limit(stage)))}{told}")
    if stage.kind != "code":
        lines.append(f"# after: {stage.value[:PATTERN_MOST]}")
    return [*lines, 'means = ""']


def _stall(stage: DraftStage, name: str) -> list[str]:
    """A stall point to be filled in where the machine works long: it stays a comment until somebody knows."""
    return [
        f"# From here to the next stage takes {span(stage.usual_s or 0.0)}. If the machine has stood here, take the",
        "# marks off and say why:",
        "# [[stall]]",
        f"# name = {toml_value(f'{name}-stands')}",
        f"# in = {toml_value(name)}",
        f"# quiet = {toml_value(span(_limit(stage)))}",
        '# means = "what the machine was doing"',
        '# try = ["look and listen", "take out one card after another", "set the setup back to its defaults"]',
        '# caution = "Power off and unplug before moving a card or a jumper."',
    ]


def pattern_of(value: str) -> str:
    """Return a pattern that finds a masked line anywhere in a line, with any numbers and blanks.

    Signs at its end are left out: a machine that hangs may not have come to them.
    """
    text = value[:PATTERN_MOST].strip()
    return "".join(SPELT.get(ch, ch) for ch in re.sub(r"(?<=[\w#])[^\w#]+$", "", text))


def _when(kind: str, value: str) -> str:
    """The condition of a token: a code, or a text anywhere in a line, with any numbers and any blanks."""
    if kind == "code":
        return f"{{ code = {toml_value(value)} }}"
    pattern = pattern_of(value)
    plain = pattern.isprintable() and "'" not in pattern
    quoted = f"'{pattern}'" if plain else toml_value(pattern)
    return f"{{ text = {quoted} }}"


def span(seconds: float) -> str:
    """Return a duration as a table writes it: 12s, 0.35s as 350ms."""
    return f"{seconds:.3g}s" if 1 <= seconds < 1000 else f"{seconds:.0f}s" if seconds > 1 else f"{_ms(seconds)}ms"


def _ms(seconds: float) -> int:
    return max(1, round(seconds * 1000))
