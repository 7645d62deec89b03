"""How much the RE2 set saves over a loop of the standard library's patterns, or of RE2's.

Run by hand: `python tests/rules/speed_match.py`. Prints microseconds per line for 10, 100 and 1,000 rules on
lines that match nothing, and on lines of which one in ten matches one rule. Ratios compare between machines;
microseconds do not.
"""

from __future__ import annotations

import random
import re
import time
from collections.abc import Callable
from functools import partial
from typing import Any

import re2

from benchd.rules import Matcher, RuleTable

SHAPES = (
    "{a} {b} error",
    "{a}.*{b} failed",
    "{a}[ :]+[0-9]+ {b}",
    "({a}|{b}) not found",
    "^{a} {b}: ok$",
)
LINES = 2000


def words(rng: random.Random, count: int) -> list[str]:
    return ["".join(rng.choices("abcdefghijklmnoprstuvw", k=rng.randint(4, 9))) for _ in range(count)]


def per_line(work: Callable[[str], object], lines: list[str]) -> float:
    """Return the best of five runs, in microseconds a line."""
    best = float("inf")
    for _ in range(5):
        start = time.perf_counter()
        for line in lines:
            work(line)
        best = min(best, time.perf_counter() - start)
    return best / len(lines) * 1e6


def one_by_one(patterns: list[Any], line: str) -> list[Any]:
    return [pattern.search(line) for pattern in patterns]


def main() -> None:
    rng = random.Random(80)
    titles = ("rules", "hits", "re loop", "re2 loop", "set", "re/set", "re2/set")
    print("".join(f"{title:>10}" for title in titles))
    for count in (10, 100, 1000):
        pairs = [words(rng, 2) for _ in range(count)]
        patterns = [SHAPES[i % len(SHAPES)].format(a=a, b=b) for i, (a, b) in enumerate(pairs)]
        faults = [{"name": f"f{i}", "seen": {"text": p}} for i, p in enumerate(patterns)]
        stage = [{"name": "end", "enter": [{"code": "FF"}], "final": True}]
        matcher = Matcher(
            RuleTable.model_validate({"table": {"name": "t", "source": "x"}, "stage": stage, "fault": faults})
        )
        loops = [[engine.compile(p) for p in patterns] for engine in (re, re2)]
        quiet = [" ".join(words(rng, 11))[:71] for _ in range(LINES)]
        some = [f"{a} {b} error" if i % 10 == 0 else quiet[i] for i, (a, b) in
                enumerate(pairs[i % count] for i in range(LINES))]  # fmt: skip
        for name, lines in (("none", quiet), ("1/10", some)):
            few = lines[: LINES // max(1, count // 50)]
            std, one = (per_line(partial(one_by_one, loop), few) for loop in loops)
            fast = per_line(matcher.text, lines)
            figures = "".join(f"{x:>10.2f}" for x in (std, one, fast, std / fast, one / fast))
            print(f"{count:>10}{name:>10}{figures}")


if __name__ == "__main__":
    main()
