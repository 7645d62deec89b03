"""The benchmark of causes: every row of `worlds.ROWS`, `next` beside one factor at a time, confirmed alike.

    python tests/inference/speed_causes.py --benches 100 --jobs 2 --out causes.json [--rows one two] [--stories 100]

Every evening played is kept in the file at once, so that it can be stopped and gone on with; `--show` plays nothing
and prints the tables of what is there. A file belongs to one state of `benchd/inference`, one seed and one cap: where
these differ the evenings in it are played anew. How evenings go and what is counted: `evenings.py`.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
import os
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve()
sys.path[:1] = [str(HERE.parents[2]), str(HERE.parents[1])]
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from inference.evenings import BINS, CAP, play  # noqa: E402
from inference.worlds import ROWS, make_world  # noqa: E402

POLICIES = ("next", "ofat")
COMPARED = ("one", "two")
"""The rows in which boots and hardware changes are held against one factor at a time."""
RIGHT = ("one", "two", "three", "one-60", "equal", "differ", "levels", "two-of-three")
"""The rows in which the true cause is to be settled."""
SAVE_EVERY_S = 20.0
MARKS = ("<!-- measured: begin -->", "<!-- measured: end -->")

Evenings = dict[str, dict[str, Any]]


def state_of_engine() -> str:
    """A mark of what weighs and proposes, and of what the benches are."""
    room = HERE.parents[2] / "benchd" / "inference"
    files = [*sorted(room.glob("*.py")), HERE.with_name("worlds.py"), HERE.with_name("evenings.py")]
    return hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()[:16]


def one(job: tuple[str, str, int, int, int]) -> dict[str, Any]:
    row, policy, number, seed, cap = job
    began = time.process_time()
    found = play(make_world(row, seed, number), policy, number, seed, cap).to_json()
    return found | {"cpu_s": round(time.process_time() - began, 2)}


def run(jobs: Sequence[tuple[str, str, int, int, int]], processes: int) -> Iterator[dict[str, Any]]:
    if processes < 2:
        yield from map(one, jobs)
        return
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        yield from pool.imap_unordered(one, jobs)


def key(row: str, policy: str, number: int) -> str:
    return f"{row}/{policy}/{number}"


def measure(rows: Sequence[str], benches: int, seed: int = 1, cap: int = CAP, policies: Sequence[str] = POLICIES,
            processes: int = 1, out: Path | None = None) -> Evenings:  # fmt: skip
    """Play what is not in the file yet; all evenings asked for, by row, policy and number."""
    head = {"engine": state_of_engine(), "seed": seed, "cap": cap}
    kept = json.loads(out.read_text()) if out is not None and out.exists() else {}
    found: Evenings = kept.get("evenings", {}) if all(kept.get(k) == v for k, v in head.items()) else {}
    wanted = [(row, policy, number) for number in range(benches) for row in rows for policy in policies]
    missing = [(*one_of, seed, cap) for one_of in wanted if key(*one_of) not in found]
    saved = time.monotonic()
    for evening in run(missing, processes):
        found[key(evening["row"], evening["policy"], evening["number"])] = evening
        if out is not None and time.monotonic() - saved > SAVE_EVERY_S:
            _save(out, head | {"evenings": found})
            saved = time.monotonic()
    if out is not None and missing:
        _save(out, head | {"evenings": found})
    return {key(*one_of): found[key(*one_of)] for one_of in wanted}


def _save(path: Path, value: dict[str, Any]) -> None:
    beside = path.with_suffix(".new")
    beside.write_text(json.dumps(value))
    beside.replace(path)


def of(evenings: Evenings, row: str | None = None, policy: str = "next") -> list[dict[str, Any]]:
    return [one for one in evenings.values() if one["policy"] == policy and row in (None, one["row"])]


def share(some: Iterable[bool]) -> float:
    """How many of them are so; 0 of none."""
    told = list(some)
    return sum(told) / len(told) if told else 0.0


def mean(values: Iterable[float]) -> float:
    told = list(values)
    return sum(told) / len(told) if told else 0.0


def figures(evenings: Evenings, row: str) -> dict[str, float]:
    """The row's shares for `next`, and its boots and hardware changes as ratios to one factor at a time."""
    mine, other = of(evenings, row), of(evenings, row, "ofat")
    out = {
        "benches": len(mine),
        "wrong": share(one["settled"] is False for one in mine),
        "right": share(one["settled"] is True for one in mine),
        "first_wrong": share(one["first"] is False for one in mine),
        "boots": mean(one["boots"] for one in mine),
        "hardware": mean(one["hardware"] for one in mine),
    }
    if other:
        out |= {
            "ofat_right": share(one["settled"] is True for one in other),
            "ofat_wrong": share(one["settled"] is False for one in other),
            "ofat_boots": mean(one["boots"] for one in other),
            "ofat_hardware": mean(one["hardware"] for one in other),
        }
        out["boots_ratio"] = out["boots"] / out["ofat_boots"]
        out["hardware_ratio"] = out["hardware"] / max(out["ofat_hardware"], 1e-9)
    return out


def together(evenings: Evenings, rows: Sequence[str]) -> dict[str, float]:
    """Ratios over several rows as one."""
    mine = [one for row in rows for one in of(evenings, row)]
    other = [one for row in rows for one in of(evenings, row, "ofat")]
    return {
        what: mean(one[what] for one in mine) / max(mean(one[what] for one in other), 1e-9)
        for what in ("boots", "hardware")
    }


def calibration(evenings: Evenings, rows: Sequence[str] | None = None) -> list[tuple[int, float, float]]:
    """By tenth of the probability given: causes, mean given, share that was true; over all rows, following `next`."""
    mine = [one for one in of(evenings) if rows is None or one["row"] in rows]
    out = []
    for place in range(BINS):
        number, given, true = (sum(one["table"][place][i] for one in mine) for i in range(3))
        out.append((int(number), given / number if number else 0.0, true / number if number else 0.0))
    return out


def tables(evenings: Evenings) -> Iterator[str]:
    """What was measured, as Markdown."""
    rows = [row for row in ROWS if of(evenings, row)]
    yield (
        "| truth | benches | settled wrong | settled right | first at 95 % wrong | boots | hardware changes "
        "| one at a time: settled right, wrong | boots, hardware changes | ratios |"
    )
    yield "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |"
    for row in rows:
        f = figures(evenings, row)
        cells = [
            ROWS[row].title,
            f"{f['benches']:.0f}",
            percent(f["wrong"]),
            percent(f["right"]) if ROWS[row].listed else "-",
            percent(f["first_wrong"]),
            f"{f['boots']:.1f}",
            f"{f['hardware']:.1f}",
        ]
        if "ofat_boots" in f:
            cells += [
                f"{percent(f['ofat_right'])}, {percent(f['ofat_wrong'])}",
                f"{f['ofat_boots']:.1f}, {f['ofat_hardware']:.1f}",
                f"{f['boots_ratio']:.2f}, {f['hardware_ratio']:.2f}",
            ]
        else:
            cells += ["", "", ""]
        yield f"| {' | '.join(cells)} |"
    if set(COMPARED) <= set(rows) and of(evenings, "one", "ofat"):
        ratio = together(evenings, COMPARED)
        yield ""
        yield f"One and two conditions together: boots {ratio['boots']:.3f}, hardware changes {ratio['hardware']:.3f}."
    yield ""
    yield "| given | causes | mean given | true |"
    yield "| --- | --- | --- | --- |"
    for place, (number, given, true) in enumerate(calibration(evenings)):
        if number:
            yield f"| {10 * place} to {10 * place + 10} % | {number} | {given:.3f} | {true:.3f} |"
    yield ""
    yield "| truth | of causes given 90 to 100 %: number, true |"
    yield "| --- | --- |"
    for row in rows:
        number, _, true = calibration(evenings, [row])[BINS - 1]
        if number:
            yield f"| {ROWS[row].title} | {number}, {true:.3f} |"


def percent(value: float) -> str:
    return f"{value:.0%}".replace("%", " %")


def stories(number: int) -> dict[str, float]:
    """The demo's story over seeds: how often it ends settled, on the true cause, and in how many boots."""
    import tempfile

    from studies.simulated import VirtualBench

    from benchd.demo import at286
    from benchd.demo.story import STUDY, play_story
    from benchd.store import Store
    from benchd.studies.weighing import why

    ended = []
    for seed in range(1, number + 1):
        with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "b.db") as store:
            bench = VirtualBench(store, Path(folder) / "captures", seed=seed)
            play_story(store, "at286", bench.boot, lambda line: None)
            bench.close()
            found = why(store, STUDY)
            right = {(c.factor, c.level) for c in found.causes[0].conditions} == set(at286.TRUE_CAUSE)
            ended.append((found.settled, right, found.boots, len(store.trials(study=STUDY))))
    return {
        "settled": share(one[0] for one in ended),
        "settled_wrong": share(one[0] and not one[1] for one in ended),
        "boots": mean(one[2] for one in ended),
        "trials": mean(one[3] for one in ended),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("--benches", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cap", type=int, default=CAP)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--rows", nargs="*", choices=list(ROWS), default=list(ROWS))
    parser.add_argument("--policies", nargs="*", choices=POLICIES, default=POLICIES)
    parser.add_argument("--stories", type=int, default=0, help="play the demo's story over so many seeds")
    parser.add_argument("--show", action="store_true", help="play nothing; print what the file has")
    parser.add_argument("--out", type=Path, help="a JSON file that keeps every evening")
    parser.add_argument("--note", type=Path, help="put the tables into this note, between its marks")
    options = parser.parse_args()
    if options.show:
        evenings = json.loads(options.out.read_text())["evenings"]
    else:
        evenings = measure(
            options.rows, options.benches, options.seed, options.cap, options.policies, options.jobs, options.out
        )
    lines = list(tables(evenings))
    if options.stories:
        told = stories(options.stories)
        lines += [
            "",
            f"The demo's story over {options.stories} seeds: settled {percent(told['settled'])}, on a wrong cause "
            f"{percent(told['settled_wrong'])}; {told['boots']:.1f} boots in {told['trials']:.1f} trials.",
        ]
    print("\n".join(lines))
    if options.note is not None:
        text = options.note.read_text(encoding="utf-8")
        before, rest = text.split(MARKS[0])
        after = rest.split(MARKS[1])[1]
        options.note.write_text("\n".join([before + MARKS[0], "", *lines, "", MARKS[1]]) + after, encoding="utf-8")
    print(f"\n{sum(one['cpu_s'] for one in evenings.values()):.0f} s of CPU")


if __name__ == "__main__":
    main()
