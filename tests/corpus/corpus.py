#!/usr/bin/env python3
"""The capture corpus: `python3 tests/corpus/corpus.py check|rebuild|view [NAME ...]` (with the project's Python).

Each capture lies in `captures/` as NAME.pcapng, with NAME.toml beside it (who made it, what, line settings, why) and
NAME.json (what it must give: `boots` as `benchd replay --json` prints them, `bytes` as each link accounts for
them). Nothing may be missing.

check    replay every capture and compare; then run every shipped table over every other family's captures
rebuild  make captures anew (needs the emulator); `--expected` only writes NAME.json anew. Say why in the commit
view     print a capture's sidecar and its boots as people see them

False positives: a table run over another family's capture must not say stall by a known point, fault or loop.
POST codes are bare bytes and every family gives them meanings of its own, so some cannot be avoided: those are in
`allowed.toml`, each with its reason, and this is why a table is always chosen per machine and never guessed.
"""

from __future__ import annotations

import json
import sys
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
if __name__ == "__main__":  # run as a program: find the package and the tests' own modules
    sys.path[:1] = [str(HERE.parents[1]), str(HERE.parent)]

from benchd.capture import Capture, read_capture  # noqa: E402
from benchd.cli.boots import boot_page, boot_table, boots_json  # noqa: E402
from benchd.rules import Matcher, RuleTable, load_text  # noqa: E402
from benchd.rules.files import load_table, shipped_tables  # noqa: E402
from benchd.vocabulary.records import ClockMark  # noqa: E402
from benchd.vocabulary.times import Anchor  # noqa: E402
from benchd.watch.pipeline import Pipeline  # noqa: E402
from benchd.watch.replay import Replay, last_records, table_text  # noqa: E402

CAPTURES = HERE / "captures"
MAX_BYTES = 40_000
MAX_FILES = 12
SIDECAR = {"what", "why", "made_by", "made_with", "table", "family", "links"}
ENDLESS_S = 3600
"""Silence put after a capture to see what a foreign table makes of it."""


@dataclass(frozen=True)
class False_:
    """A false positive: what `table` said of `capture`, another family's."""

    table: str
    capture: str
    kind: str
    rule: str


def names() -> list[str]:
    """The captures there are, by any of their files."""
    return sorted({path.name.split(".")[0] for path in CAPTURES.iterdir()})


def sidecar(name: str) -> dict[str, Any]:
    return tomllib.loads((CAPTURES / f"{name}.toml").read_text("utf-8"))


def family(table: str) -> str:
    """The family of a table: tables for other outputs of the same firmware are one family."""
    return "seabios" if table.startswith("seabios-") else table


def pipeline_of(capture: Capture, table: RuleTable) -> Pipeline:
    return Pipeline(capture.machine, capture.links, Matcher(table), Anchor(capture.wall_ns, capture.mono_ns))


def link_lines(capture: Capture) -> list[str]:
    """The line settings in a capture's header, as the sidecar says them."""
    return [
        f"{i.name}: {i.kind}, {i.framing}, {i.speed} baud {i.data_bits}{i.parity}{i.stop_bits:g}" for i in capture.links
    ]


def result(name: str) -> dict[str, Any]:
    """What the capture gives by the table in it: boots, and where every byte went."""
    path = CAPTURES / f"{name}.pcapng"
    replay = Replay([path])
    boots = replay.boots()
    assert not replay.problems, replay.problems
    capture = read_capture(path)
    pipeline = pipeline_of(capture, load_text(table_text(capture) or "", name))
    for record in capture.records():
        pipeline.feed(record)
    pipeline.drain()
    counts = {}
    for link, decoder in pipeline.decoders.items():
        c = decoder.counts
        assert c.bytes_in == c.decoded + c.pending + sum(c.refused.values()), f"{name}: {link}: {c}"
        counts[link] = {"in": c.bytes_in, "decoded": c.decoded, "pending": c.pending, "refused": c.refused}
    return {"boots": boots_json(boots), "bytes": counts}


def problems_of(name: str) -> Iterator[str]:
    """Check one capture."""
    for ending in ("pcapng", "toml", "json"):
        path = CAPTURES / f"{name}.{ending}"
        if not path.is_file():
            yield f"{name}: {path.name} is missing: rebuild it, or remove what is left of the capture"
            return
    size = (CAPTURES / f"{name}.pcapng").stat().st_size
    if size > MAX_BYTES:
        yield f"{name}: {size} bytes; at most {MAX_BYTES} in the corpus"
    if missing := SIDECAR - sidecar(name).keys():
        yield f"{name}: its sidecar does not say {', '.join(sorted(missing))}"
        return
    capture = read_capture(CAPTURES / f"{name}.pcapng")
    about = sidecar(name)
    if (about["table"], about["links"], name) != (capture.table, link_lines(capture), capture.machine):
        yield f"{name}: sidecar and header of the capture differ in machine, table or links"
    expected = json.loads((CAPTURES / f"{name}.json").read_text("utf-8"))
    given = json.loads(json.dumps(result(name)))
    yield from differences(name, expected, given)
    shipped = Replay([CAPTURES / f"{name}.pcapng"], rules=sidecar(name)["table"]).boots()
    if json.loads(json.dumps(boots_json(shipped))) != expected["boots"]:
        yield f"{name}: the shipped table {sidecar(name)['table']} judges it otherwise than the one in it: rebuild it"


def differences(name: str, expected: Any, given: Any, where: str = "") -> Iterator[str]:
    """Name each place where two JSON values differ."""
    if isinstance(expected, dict) and isinstance(given, dict):
        for key in sorted(expected.keys() | given.keys()):
            yield from differences(name, expected.get(key), given.get(key), f"{where}.{key}")
    elif isinstance(expected, list) and isinstance(given, list) and len(expected) == len(given):
        for i, (one, other) in enumerate(zip(expected, given, strict=True)):
            yield from differences(name, one, other, f"{where}[{i}]")
    elif expected != given:
        yield f"{name}: {where.lstrip('.')}: expected {expected!r}, got {given!r}"


def false_positives(table_name: str, name: str, silence_s: int = 0) -> list[False_]:
    """What a foreign table says of a capture, with silence after it: known stalls, faults, loops."""
    capture = read_capture(CAPTURES / f"{name}.pcapng")
    pipeline = pipeline_of(capture, load_table(table_name, HERE))
    events = [event for record in capture.records() for event in pipeline.feed(record)]
    if silence_s:
        events += pipeline.feed(ClockMark(pipeline.now_ns + silence_s * 1_000_000_000))
    said = {
        False_(table_name, name, finding.kind, finding.rule)
        for boot in last_records(events + pipeline.drain())
        for finding in boot.findings
        if finding.kind in ("fault", "loop") or (finding.kind == "stall" and finding.rule != "unknown")
    }
    return sorted(said, key=lambda one: (one.kind, one.rule))


def foreign() -> list[tuple[str, str]]:
    """(table, capture) of every table and every other family's capture."""
    mine = {name: family(sidecar(name)["table"]) for name in names()}
    return [(table, name) for table in shipped_tables() for name in names() if family(table) != mine[name]]


def allowed() -> dict[False_, str]:
    rows = tomllib.loads((HERE / "allowed.toml").read_text("utf-8")).get("allowed", [])
    out = {}
    for row in rows:
        assert row["reason"].strip(), f"allowed.toml: {row} has no reason"
        for name in row["captures"]:
            out[False_(row["table"], name, row["kind"], row["rule"])] = row["reason"]
    return out


def foreign_problems(only: Sequence[str] = ()) -> Iterator[str]:
    """Name each false positive that is not allowed, and each allowance that nothing needs any more."""
    known = allowed()
    found = [one for table, name in foreign() if not only or name in only for one in false_positives(table, name)]
    for one in found:
        if one not in known:
            yield f"{one.capture}: false positive of {one.table}: {one.kind} {one.rule}"
    for one in known:
        if one not in found and (not only or one.capture in only):
            yield f"allowed.toml: nothing needs {one.table} over {one.capture}: {one.kind} {one.rule}: take it out"


def after_silence_problems() -> Iterator[str]:
    """Name each stall that a foreign table takes from a text, though an hour of silence follows.

    After a code it may: the last code of any machine is a step of some other family. Texts do not collide.
    """
    for table_name, name in foreign():
        table = load_table(table_name, HERE)
        by_text = {stall.name for stall in table.stall if stall.after is None or stall.after.text is not None}
        by_text -= {stall.name for stall in table.stall if stall.in_ is not None and _has_codes(table, stall.in_)}
        for one in false_positives(table_name, name, ENDLESS_S):
            if one.kind == "stall" and one.rule in by_text:
                yield f"{name}, then silence: false positive of {table_name}: stall {one.rule}, from a text"


def _has_codes(table: RuleTable, stage_name: str) -> bool:
    return any(when.code is not None for stage in table.stage if stage.name == stage_name for when in stage.enter)


def check(chosen: Sequence[str]) -> list[str]:
    """Return every problem of the chosen captures (all, if none is chosen)."""
    there = names()
    out = [f"no capture is called {name}; there are {', '.join(there)}" for name in chosen if name not in there]
    if len(there) > MAX_FILES:
        out.append(f"{len(there)} captures; at most {MAX_FILES}")
    for name in chosen or there:
        if name in there:
            out += problems_of(name)
    return out or [*foreign_problems(chosen), *([] if chosen else after_silence_problems())]


def rebuild(chosen: Sequence[str], expected_only: bool) -> None:
    """Make captures and what is beside them anew."""
    from corpus import making

    for name in chosen or ([*making.RECIPES] if not expected_only else names()):
        if not expected_only:
            recipe = making.RECIPES[name]
            path = CAPTURES / f"{name}.pcapng"
            making.make(name, path)
            facts = {
                "what": recipe.what,
                "why": recipe.why,
                "family": recipe.family,
                "table": recipe.family,
                "links": link_lines(read_capture(path)),
                "made_by": f"python3 tests/corpus/corpus.py rebuild {name}",
                "made_with": making.made_with(recipe),
            }
            text = "".join(f"{key} = {json.dumps(value, ensure_ascii=False)}\n" for key, value in facts.items())
            (CAPTURES / f"{name}.toml").write_text(text, "utf-8")
        text = json.dumps(result(name), indent=1, ensure_ascii=True) + "\n"
        (CAPTURES / f"{name}.json").write_text(text, "utf-8")
        print(f"{name}: {(CAPTURES / f'{name}.pcapng').stat().st_size} bytes")


def view(name: str) -> None:
    print((CAPTURES / f"{name}.toml").read_text("utf-8"))
    boots = Replay([CAPTURES / f"{name}.pcapng"]).boots()
    for line in boot_table(boots):
        print(line)
    for boot in boots:
        print()
        for line in boot_page(boot, None):
            print(line)


def main(words: Sequence[str]) -> int:
    match [word for word in words if word != "--expected"]:
        case ["check", *chosen]:
            told = check(chosen)
            print(*told, sep="\n", end="\n" if told else "")
            print(f"{len(told)} problems" if told else f"{len(chosen or names())} captures are as expected")
            return bool(told)
        case ["rebuild", *chosen]:
            rebuild(chosen, "--expected" in words)
        case ["view", *chosen]:
            for name in chosen or names():
                view(name)
        case _:
            print(__doc__)
            return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
