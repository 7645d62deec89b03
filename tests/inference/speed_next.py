"""Simulated benches: how many boots and hardware changes until the true cause holds 95 %.

    python tests/inference/speed_next.py [--benches 300] [--seed 1] [--sensitivity] [--out FILE.json]

A bench has 6 factors with 2 or 3 levels, of kinds drawn without replacement from ten (five move
hardware), and a hidden cause of one or two conditions (half and half; on a three-level factor one
condition in ten is "is not"). A boot fails with 95 % where the cause holds and with 3 % elsewhere. The
bench starts in a setup where the cause holds: someone has a machine that fails. Work per change and
boot are the product's own defaults for the kind.

Policies, all judged by the same posterior after every boot, on the same benches:

next    the setup that `rank` puts first (what `benchd next` proposes first).
ofat    one factor at a time: the starting setup is the baseline, each factor in turn is set to each of
        its other levels for one boot and then put back (three levels: to the second, to the third,
        back), other factors standing at the baseline; when all are through, one boot of the baseline,
        then round again. It is spared the usual repeats and the boot that confirms putting back, and
        it stops in mid-round the moment the posterior is there, so it is the lean form of the method.
cheap   the same, but the factors that take least work come first in each round (ofat takes them as drawn).
random  any setup, drawn evenly.

Counted until the true cause (with those that no allowed setup can tell from it) first holds 95 %, at
most 100 boots: boots, hardware changes (factors that move hardware, each time one is set), power-offs
(trials that change any such factor), minutes. "Named": the first explanation to hold 95 % is the true
one. The calibration table takes every explanation with 1 % or more after each of the first 20 boots,
whether the bench was solved or not, so that stopping does not colour it.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from benchd.inference.causes import SEPARATED_AT
from benchd.inference.hypotheses import Ints, Posterior, Prior, Space, build_space, update
from benchd.inference.kinds import INTERMITTENT, NOTHING
from benchd.inference.next_trial import rank
from benchd.inference.setups import allowed, named, work
from benchd.inference.study import Condition, Factor, Study, TrialCounts

KINDS = (
    ("card", "card"),
    ("adapter", "adapter"),
    ("jumper", "jumper"),
    ("slot", "slot"),
    ("cable", "cable"),
    ("boot-device", "bios-setting"),
    ("shadow", "bios-setting"),
    ("rom-image", "image"),
    ("test-program", "test"),
    ("other", "other"),
)
HARDWARE = {"other": False, "rom-image": False}
CAP = 100
CALIBRATED_BOOTS = 20
BINS = 10
FAIL_UNDER, FAIL_ELSE = 0.95, 0.03


@dataclass(frozen=True)
class Bench:
    """A study, its hidden cause, where it starts and how often boots fail."""

    study: Study
    conditions: tuple[Condition, ...]
    form: str
    start: dict[str, str]
    fail_under: float = FAIL_UNDER
    fail_else: float = FAIL_ELSE

    def fail_rate(self, setup: dict[str, str]) -> float:
        if self.form == NOTHING:
            return self.fail_under
        if self.form == INTERMITTENT:
            return 0.5
        held = [c.holds(setup) for c in self.conditions]
        return self.fail_under if (any(held) if self.form == "any" else all(held)) else self.fail_else


def make_study(rng: np.random.Generator) -> Study:
    chosen = rng.choice(len(KINDS), 6, replace=False)
    factors = tuple(
        Factor(
            KINDS[k][0],
            tuple("abc"[: int(rng.integers(2, 4))]),
            kind=KINDS[k][1],
            moves_hardware=HARDWARE.get(KINDS[k][0]),
        )
        for k in chosen
    )
    return Study("bench", factors)


def draw_condition(rng: np.random.Generator, factor: Factor, is_not: float) -> Condition:
    relation = "is not" if len(factor.levels) > 2 and rng.random() < is_not else "is"
    return Condition(factor.name, relation, str(rng.choice(factor.levels)))


def starting(rng: np.random.Generator, study: Study, holds: Sequence[Condition]) -> dict[str, str]:
    """A random setup where all of `holds` are true."""
    start = {f.name: str(rng.choice(f.levels)) for f in study.factors}
    for c in holds:
        levels = [x for x in study.factor(c.factor).levels if (x == c.level) == (c.relation == "is")]
        start[c.factor] = str(rng.choice(levels))
    return start


def make_bench(rng: np.random.Generator) -> Bench:
    """The bench of the issue: one or two conditions, 95 % against 3 %."""
    study = make_study(rng)
    which = sorted(rng.choice(6, 1 + int(rng.random() < 0.5), replace=False).tolist())
    conditions = tuple(draw_condition(rng, study.factors[w], 0.1) for w in which)
    return Bench(study, conditions, "all", starting(rng, study, conditions))


def make_wide_bench(rng: np.random.Generator) -> Bench:
    """Benches of every family and with other rates, to hold the probabilities to account off their home."""
    study = make_study(rng)
    family = rng.choice(["one", "two", "three", "any", NOTHING, INTERMITTENT], p=[0.45, 0.35, 0.05, 0.05, 0.05, 0.05])
    number = {"one": 1, "two": 2, "three": 3, "any": 2}.get(str(family), 0)
    which = sorted(rng.choice(6, number, replace=False).tolist())
    conditions = tuple(draw_condition(rng, study.factors[w], 0.3 if i == 0 else 0.0) for i, w in enumerate(which))
    form = str(family) if family in ("any", NOTHING, INTERMITTENT) else "all"
    start = starting(rng, study, conditions[:1] if form == "any" else conditions)
    return Bench(study, conditions, form, start, float(rng.uniform(0.7, 1.0)), float(rng.uniform(0.0, 0.08)))


def true_rows(space: Space, bench: Bench) -> Ints:
    """The rows of `space` that are the bench's cause, or that no allowed setup tells from it."""
    if bench.form == NOTHING:
        return np.array([space.count - 3, space.count - 2])
    if bench.form == INTERMITTENT:
        return np.array([space.count - 1])
    wanted = frozenset(bench.conditions)
    literal = {}
    for i, (f, level, negated) in enumerate(
        zip(space.literal_factor.tolist(), space.literal_level.tolist(), space.literal_not.tolist(), strict=True)
    ):
        factor = space.study.factors[f]
        literal[Condition(factor.name, "is not" if negated else "is", factor.levels[level])] = i
    filler = len(literal) + (bench.form == "any")
    row = sorted(literal[c] for c in wanted)
    row += [filler] * (3 - len(row))
    hit = (space.rows == row).all(axis=1) & (space.any_form == (bench.form == "any"))
    hit[-3:] = False
    (h,) = np.flatnonzero(hit)
    return alike(space, int(h))


def alike(space: Space, h: int) -> Ints:
    """Explanations (rows of `space`) that no allowed setup could tell from row `h`, itself included."""
    grid = allowed(space.study, np.zeros(len(space.study.factors), dtype=np.int64))
    mask = space.holds(grid, np.array([h]))[0]
    same = np.concatenate(
        [
            (space.holds(grid, part) == mask).all(axis=1)
            for part in np.array_split(np.arange(space.count), 1 + space.count * len(grid) // 20_000_000)
        ]
    )
    same[space.count - 2 :] = False
    if h >= space.count - 2:
        same[:] = False
    same[h] = True
    return np.flatnonzero(same)


def _named(posterior: Posterior, h: int) -> bool:
    """Whether row `h`, with what no setup tells from it, holds enough to be named as the cause."""
    # What no setup tells from it predicts the same in the setups tried: looked at first, for it costs little.
    near = (posterior.inside == posterior.inside[h]).all(axis=1)
    if posterior.weight[near].sum() < SEPARATED_AT:
        return False
    return bool(posterior.weight[alike(posterior.space, h)].sum() >= SEPARATED_AT)


def one_at_a_time(study: Study, start: Ints, cheap_first: bool = False) -> Iterator[Ints]:
    order = list(range(len(study.factors)))
    if cheap_first:
        order.sort(key=lambda f: study.factors[f].cost(study.factors[f].levels[0]))
    while True:
        for f in order:
            for level in range(len(study.factors[f].levels)):
                if level != start[f]:
                    row = start.copy()
                    row[f] = level
                    yield row
        yield start.copy()


@dataclass
class Outcome:
    boots: int
    hardware: int
    power_offs: int
    minutes: float
    reached: bool
    named: bool | None
    table: np.ndarray = field(default_factory=lambda: np.zeros((BINS, 3)))


def run(bench: Bench, policy: str, seed: Sequence[int], prior: Prior | None = None, calibrate: bool = True) -> Outcome:
    """Follow one policy on one bench; without `calibrate` only until the true cause is found."""
    study = bench.study
    space = build_space(study, prior)
    truth = true_rows(space, bench)
    is_true = np.isin(np.arange(space.count), truth)
    rng = np.random.default_rng(seed)
    current = space.encode([bench.start])[0]
    grid = allowed(study, current)
    plan = one_at_a_time(study, current, cheap_first=policy == "cheap")
    hard = np.array([factor.hardware for factor in study.factors])
    trials: list[TrialCounts] = []
    hardware = power_offs = 0
    minutes = 0.0
    named_right: bool | None = None
    done: Outcome | None = None
    table = np.zeros((BINS, 3))
    while len(trials) < CAP and not (done and (len(trials) >= CALIBRATED_BOOTS or not calibrate)):
        setup = named(study, current)
        failed = bool(rng.random() < bench.fail_rate(setup))
        trials.append(TrialCounts(str(len(trials) + 1), setup, int(not failed), 1))
        minutes += study.boot_minutes
        posterior = update(space, trials)
        weight = posterior.weight
        # Explanations that nothing can tell apart count as one.
        together = float(weight[truth].sum())
        if len(trials) <= CALIBRATED_BOOTS:
            shown = weight.copy()
            shown[truth] = 0.0
            shown[truth[0]] = together
            which = np.flatnonzero(shown >= 0.01)
            place = np.minimum((shown[which] * BINS).astype(int), BINS - 1)
            np.add.at(table, place, np.stack([np.ones(len(which)), shown[which], is_true[which]], axis=1))
        if named_right is None:
            best = int(weight.argmax())
            if is_true[best] and together >= SEPARATED_AT:
                named_right = True
            elif not is_true[best] and _named(posterior, best):
                named_right = False
        if done is None and together >= SEPARATED_AT:
            done = Outcome(len(trials), hardware, power_offs, minutes, True, None)
        if policy == "next":
            new = grid[rank(posterior, current, grid, study.boot_minutes)[3][0]]
        elif policy in ("ofat", "cheap"):
            new = next(plan)
        else:
            new = grid[rng.integers(len(grid))]
        moved = hard & (new != current)
        hardware += int(moved.sum())
        power_offs += bool(moved.any())
        minutes += float(work(study, current, new[None, :])[0])
        current = new
    out = done or Outcome(len(trials), hardware, power_offs, minutes, False, None)
    out.named, out.table = named_right, table
    return out


def measure(
    benches: int,
    seed: int,
    policies: Sequence[str],
    prior: Prior | None = None,
    wide: bool = False,
    calibrated: Sequence[str] | None = None,
) -> dict[str, dict[str, object]]:
    """Means over the benches for each policy, and its calibration table (whole for those `calibrated`; None: all)."""
    out: dict[str, dict[str, object]] = {}
    for policy in policies:
        results = []
        for i in range(benches):
            bench = (make_wide_bench if wide else make_bench)(np.random.default_rng([seed, i]))
            results.append(run(bench, policy, [seed, i, 1], prior, calibrated is None or policy in calibrated))
        table = sum(r.table for r in results)
        out[policy] = {
            "benches": benches,
            "boots": float(np.mean([r.boots for r in results])),
            "boots_median": float(np.median([r.boots for r in results])),
            "hardware_changes": float(np.mean([r.hardware for r in results])),
            "power_offs": float(np.mean([r.power_offs for r in results])),
            "minutes": float(np.mean([r.minutes for r in results])),
            "reached": float(np.mean([r.reached for r in results])),
            "named": float(np.mean([bool(r.named) for r in results])),
            "named_wrong": float(np.mean([r.named is False for r in results])),
            "calibration": [
                {
                    "from": b / BINS,
                    "to": (b + 1) / BINS,
                    "causes": int(table[b, 0]),
                    "given": float(table[b, 1] / table[b, 0]) if table[b, 0] else None,
                    "true": float(table[b, 2] / table[b, 0]) if table[b, 0] else None,
                }
                for b in range(BINS)
            ],
        }
    return out


def ratios(found: dict[str, dict[str, object]], against: str = "ofat") -> dict[str, float]:
    """`next` over another policy, for each count."""
    keys = ("boots", "hardware_changes", "power_offs", "minutes")
    return {k: float(found["next"][k]) / float(found[against][k]) for k in keys}  # type: ignore[arg-type]


def show(found: dict[str, dict[str, object]]) -> None:
    keys = (
        "boots",
        "boots_median",
        "hardware_changes",
        "power_offs",
        "minutes",
        "reached",
        "named",
        "named_wrong",
    )
    print("policy  " + "".join(f"{k:>17}" for k in keys))
    for policy, row in found.items():
        print(f"{policy:8}" + "".join(f"{row[k]:17.3f}" for k in keys))


def show_table(rows: Sequence[dict[str, object]]) -> None:
    print("given        causes   mean given   true")
    for r in rows:
        if r["causes"]:
            print(
                f"{r['from']:.0%} to {r['to']:.0%}".ljust(12),
                f"{r['causes']:6}",
                f"{r['given']:12.3f}{r['true']:7.3f}",
            )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--benches", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sensitivity", action="store_true", help="again with other prior weights")
    parser.add_argument("--out", help="write all figures as JSON")
    options = parser.parse_args()
    began = time.perf_counter()
    found = measure(options.benches, options.seed, ("next", "ofat", "cheap", "random"))
    show(found)
    for other in ("ofat", "cheap", "random"):
        print(f"next over {other}: " + ", ".join(f"{k} {v:.3f}" for k, v in ratios(found, other).items()))
    print("\ncalibration, following next (first 20 boots of every bench)")
    show_table(found["next"]["calibration"])  # type: ignore[arg-type]
    wide = measure(options.benches, options.seed, ("next",), wide=True)
    print("\ncalibration on benches of every family and with other rates")
    show(wide)
    show_table(wide["next"]["calibration"])  # type: ignore[arg-type]
    more = {}
    if options.sensitivity:
        for name, prior in (
            ("either 1 %", Prior(either=0.01)),
            ("either 2 %", Prior(either=0.02)),
            ("either 4 %", Prior(either=0.04)),
            ("two 20 %", Prior(two=0.2)),
            ("is-not weight 0.1", Prior(is_not=0.1)),
        ):
            more[name] = measure(options.benches, options.seed, ("next", "ofat"), prior)
            print(f"\nprior: {name}")
            show(more[name])
            print("next over ofat: " + ", ".join(f"{k} {v:.3f}" for k, v in ratios(more[name]).items()))
    print(f"\n{time.perf_counter() - began:.0f} s")
    if options.out:
        with open(options.out, "w", encoding="utf-8") as file:
            json.dump({"benches": found, "wide": wide, "sensitivity": more}, file, indent=1)


if __name__ == "__main__":
    main()
