"""Checks compared across setups: does a failing check speak of the card, the machine or the test?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchd.inference.study import Condition, Study, Trial
from benchd.inference.timing import Rate, fisher, wilson

PASSES = "passes"
EVERYWHERE = "fails everywhere"
CARD_ANYWHERE = "fails with the card in any machine"
CARD_HERE = "fails only with the card in this machine"
CARD_ONE = "fails with the card, one machine tried"
WITHOUT = "fails without the card too"
MIXED = "mixed"
NOT_DONE = "not done"

PASS_FROM = 0.9
FAIL_TO = 0.1


@dataclass(frozen=True, slots=True)
class CheckCell:
    """A check in one setup: passed and done, and whether the setup is the known-good reference."""

    trials: tuple[str, ...]
    passed: int
    done: int
    reference: bool
    with_card: bool | None
    machine: tuple[str, ...]

    @property
    def state(self) -> str:
        rate = self.passed / self.done
        return "pass" if rate >= PASS_FROM else "fail" if rate <= FAIL_TO else "mixed"


@dataclass(frozen=True, slots=True)
class CheckReport:
    """One check: its pattern, a sentence, rates with and without the card, Fisher's p between them."""

    check: str
    pattern: str
    sentence: str
    cells: tuple[CheckCell, ...]
    with_card: Rate | None
    without_card: Rate | None
    p: float | None

    def to_json(self) -> dict[str, object]:
        def rate(r: Rate | None) -> dict[str, object] | None:
            return None if r is None else {"k": r.k, "n": r.n, "low": round(r.low, 6), "high": round(r.high, 6)}

        return {
            "check": self.check,
            "pattern": self.pattern,
            "sentence": self.sentence,
            "with_card": rate(self.with_card),
            "without_card": rate(self.without_card),
            "p": self.p,
            "setups": [
                {
                    "trials": list(c.trials),
                    "passed": c.passed,
                    "done": c.done,
                    "reference": c.reference,
                    "state": c.state,
                }
                for c in self.cells
            ],
        }


def suspect_card(study: Study) -> Condition | None:
    """The card in question: of the first card (else adapter) factor, the first level not the reference's."""
    for kind in ("card", "adapter"):
        for factor in study.factors:
            if factor.kind == kind and len(factor.levels) > 1:
                good = study.reference.get(factor.name) if study.reference else None
                level = next(level for level in factor.levels if level != good)
                return Condition(factor.name, "is", level)
    return None


def trials_for_check(trials: Sequence[Trial], check: str) -> tuple[Trial, ...]:
    """The trials with `check` as their result, to weigh causes of that check alone."""
    return tuple(Trial(trial.name, trial.setup, *trial.checks[check]) for trial in trials if check in trial.checks)


def compare_checks(study: Study, trials: Sequence[Trial], card: Condition | None = None) -> tuple[CheckReport, ...]:
    """Every check of the trials across setups, in order of first appearance.

    `card` says which level is the card in question (default: `suspect_card`). Machines are told apart by
    the factors of kind machine. Raises UsageError for setups or a card that do not fit the study.
    """
    study.check_trials(trials)
    card = card or suspect_card(study)
    if card is not None:
        study.check_condition(card)
    names = dict.fromkeys(name for trial in trials for name in trial.checks)
    return tuple(_report(name, _cells(study, trials, name, card), card, study) for name in names)


def _cells(study: Study, trials: Sequence[Trial], name: str, card: Condition | None) -> tuple[CheckCell, ...]:
    machines = [factor.name for factor in study.factors if factor.kind == "machine"]
    found: dict[tuple[str, ...], CheckCell] = {}
    for trial in trials:
        passed, done = trial.checks.get(name, (0, 0))
        if not done:
            continue
        key = tuple(trial.setup[factor.name] for factor in study.factors)
        old = found.get(key)
        found[key] = CheckCell(
            trials=(*(old.trials if old else ()), trial.name),
            passed=passed + (old.passed if old else 0),
            done=done + (old.done if old else 0),
            reference=study.reference is not None and dict(trial.setup) == dict(study.reference),
            with_card=None if card is None else card.holds(trial.setup),
            machine=tuple(trial.setup[m] for m in machines),
        )
    return tuple(found.values())


def _report(name: str, cells: tuple[CheckCell, ...], card: Condition | None, study: Study) -> CheckReport:
    having = _rate([c for c in cells if c.with_card]) if card else None
    lacking = _rate([c for c in cells if c.with_card is False]) if card else None
    pattern, sentence = _pattern(name, cells, card)
    p = fisher(having, lacking) if having and lacking else None
    return CheckReport(name, pattern, sentence, cells, having, lacking, p)


def _rate(cells: Sequence[CheckCell]) -> Rate:
    return wilson(sum(c.passed for c in cells), sum(c.done for c in cells))


def _pattern(name: str, cells: Sequence[CheckCell], card: Condition | None) -> tuple[str, str]:
    states = {c.state for c in cells}
    if not cells:
        return NOT_DONE, f"Check {name} was not done in any trial."
    if states == {"pass"}:
        return PASSES, f"Check {name} passes in every setup tried ({_count(cells)})."
    if states == {"fail"} and len(cells) == 1 and not cells[0].reference:
        return EVERYWHERE, f"Check {name} fails in the one setup tried ({_count(cells)}); nothing to compare."
    if states == {"fail"}:
        if any(c.reference for c in cells):
            return (
                EVERYWHERE,
                f"Check {name} fails everywhere, in the known-good setup too ({_count(cells)}): the test may mislead.",
            )
        return (
            EVERYWHERE,
            f"Check {name} fails in every setup tried ({_count(cells)}), but no known-good setup was among "
            "them: run it there before blaming a part.",
        )
    having = [c for c in cells if c.with_card]
    lacking = [c for c in cells if c.with_card is False]
    if card is None or "mixed" in states or not having:
        return MIXED, f"Check {name} is mixed: {_rates(cells)}."
    words = card.words()
    if any(c.state == "fail" for c in lacking):
        where = ", ".join(t for c in lacking if c.state == "fail" for t in c.trials)
        return WITHOUT, f"Check {name} fails without the card too (in {where}): not the card alone."
    by_machine: dict[tuple[str, ...], set[str]] = {}
    for c in having:
        by_machine.setdefault(c.machine, set()).add(c.state)
    if any(len(s) > 1 for s in by_machine.values()):
        return (
            MIXED,
            f"Check {name} both passes and fails where {words} in one machine: something else in the setup "
            f"decides. {_rates(cells)}.",
        )
    failing = [m for m, s in by_machine.items() if s == {"fail"}]
    rest = "" if lacking else " It was not run without the card."
    if len(by_machine) == 1:
        return (
            CARD_ONE,
            f"Check {name} fails where {words}, but only one machine was tried with it: a bad card cannot "
            f"be told from one that does not suit this machine.{rest}",
        )
    if len(failing) == len(by_machine):
        return CARD_ANYWHERE, f"Check {name} fails where {words}, in all {len(failing)} machines tried.{rest}"
    machines = ", ".join("/".join(m) for m in failing)
    return (
        CARD_HERE,
        f"Check {name} fails where {words} only in {machines}; the card passes elsewhere: "
        f"a conflict, not a bad card.{rest}",
    )


def _count(cells: Sequence[CheckCell]) -> str:
    return f"{sum(c.passed for c in cells)} of {sum(c.done for c in cells)} passed"


def _rates(cells: Sequence[CheckCell]) -> str:
    return "; ".join(f"{', '.join(c.trials)} {c.passed} of {c.done}" for c in cells[:12])
