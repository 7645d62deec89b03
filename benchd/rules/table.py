"""Loading a rule table: every error at once, each with file, line and key."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from pydantic import ValidationError

from benchd.rules.lints import Lint, find_lints
from benchd.rules.schema import RuleTable
from benchd.tomlfile import FileProblems, Problem, dotted, locate, parse, problems_of

Path = Sequence[str | int]

NAMED = ("stage", "stall", "loop", "order", "fault", "check")


def load_text(text: str, file: str) -> RuleTable:
    """Return the table in `text`. Raises FileProblems with every error, each with file, line and key."""
    data = parse(text, file, RuleTable)
    problems = []
    table = None
    try:
        table = RuleTable.model_validate(data)
    except ValidationError as error:
        problems = problems_of(error, text, file, RuleTable)
    problems += [Problem(file, locate(text, path), dotted(path), why) for path, why in _references(data)]
    if problems or table is None:
        raise FileProblems(problems)
    return table


def check_text(text: str, file: str) -> tuple[RuleTable, list[Lint]]:
    """Return the table and its lints in file order. Raises FileProblems as `load_text` does."""
    table = load_text(text, file)
    lints = []
    for name, path, why in find_lints(table):
        lints.append(Lint(name, Problem(file, locate(text, path), dotted(path), why)))
    return table, sorted(lints, key=lambda lint: lint.problem.line)


def _rules(data: dict[str, Any], kind: str) -> Iterator[tuple[int, dict[str, Any]]]:
    rules = data.get(kind)
    for i, rule in enumerate(rules if isinstance(rules, list) else []):
        if isinstance(rule, dict):
            yield i, rule


def _references(data: dict[str, Any]) -> Iterator[tuple[Path, str]]:
    """Errors that only the whole table shows: doubled names, names of stages that do not exist.

    Works on the table as written, so that these are told together with errors of single values.
    """
    for kind in NAMED:
        seen: set[str] = set()
        for i, rule in _rules(data, kind):
            name = rule.get("name")
            if isinstance(name, str):
                if name in seen:
                    yield (kind, i, "name"), f"{name!r} is used twice"
                seen.add(name)
    stages = [s["name"] for _, s in _rules(data, "stage") if isinstance(s.get("name"), str)]
    for kind, keys in (("stall", ("in",)), ("order", ("first", "then"))):
        for i, rule in _rules(data, kind):
            for key in keys:
                name = rule.get(key)
                if isinstance(name, str) and name not in stages:
                    yield (kind, i, key), f"no stage is called {name!r}; the stages are {', '.join(stages)}"
