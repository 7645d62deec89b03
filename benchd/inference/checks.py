"""Checks compared across setups: does a failing check speak of the card, the machine or the test?"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from benchd.inference.answers import CheckCell, CheckReport, Rate
from benchd.inference.study import Condition, Study, TrialCounts
from benchd.inference.timing import fisher, wilson

PASSES = "passes"
EVERYWHERE = "fails everywhere"
CARD_ANYWHERE = "fails with the card in any machine"
CARD_HERE = "fails only with the card in this machine"
CARD_ONE = "fails with the card, one machine tried"
WITHOUT = "fails without the card too"
MIXED = "mixed"
NOT_DONE = "not done"
NOT_WITHOUT = " It was not run without the card."


def suspect_card(study: Study) -> Condition | None:
    """The card in question: of the first card (else adapter) factor, the first level not the reference's."""
    for kind in ("card", "adapter"):
        for factor in study.factors:
            if factor.kind == kind and len(factor.levels) > 1:
                good = study.reference.get(factor.name) if study.reference else None
                level = next(level for level in factor.levels if level != good)
                return Condition(factor.name, "is", level)
    return None


def trials_for_check(trials: Sequence[TrialCounts], check: str) -> tuple[TrialCounts, ...]:
    """The trials with `check` as their result, to weigh causes of that check alone."""
    return tuple(
        TrialCounts(trial.name, trial.setup, *trial.checks[check]) for trial in trials if check in trial.checks
    )


def compare_checks(
    study: Study, trials: Sequence[TrialCounts], card: Condition | None = None
) -> tuple[CheckReport, ...]:
    """Every check of the trials across setups, in order of first appearance.

    `card` says which level is the card in question (default: `suspect_card`). Machines are told apart by
    the factors of kind machine. Raises UsageError for setups or a card that do not fit the study.
    """
    study.check_trials(trials)
    card = card or suspect_card(study)
    if card is not None:
        study.check_condition(card)
    names = dict.fromkeys(name for trial in trials for name in trial.checks)
    return tuple(_report(name, _cells(study, trials, name, card), card) for name in names)


def _cells(study: Study, trials: Sequence[TrialCounts], name: str, card: Condition | None) -> tuple[CheckCell, ...]:
    """The check in each setup, in order of first appearance."""
    machines = [factor.name for factor in study.factors if factor.kind == "machine"]
    of_setup: dict[tuple[str, ...], list[TrialCounts]] = defaultdict(list)
    for trial in trials:
        if trial.checks.get(name, (0, 0))[1]:
            of_setup[tuple(trial.setup[f.name] for f in study.factors)].append(trial)
    return tuple(
        CheckCell(
            trials=tuple(one.name for one in same),
            passed=sum(one.checks[name][0] for one in same),
            done=sum(one.checks[name][1] for one in same),
            reference=study.reference is not None and dict(same[0].setup) == dict(study.reference),
            with_card=None if card is None else card.holds(same[0].setup),
            machine=tuple(same[0].setup[m] for m in machines),
        )
        for same in of_setup.values()
    )


def _report(name: str, cells: tuple[CheckCell, ...], card: Condition | None) -> CheckReport:
    having = _rate([c for c in cells if c.with_card]) if card else None
    lacking = _rate([c for c in cells if c.with_card is False]) if card else None
    pattern, said = _in_all(cells) or _by_card(cells, card)
    p = fisher(having, lacking) if having and lacking else None
    return CheckReport(name, pattern, f"Check {name} {said}", having, lacking, p, cells)


def _rate(cells: Sequence[CheckCell]) -> Rate:
    return wilson(sum(c.passed for c in cells), sum(c.done for c in cells))


def _in_all(cells: Sequence[CheckCell]) -> tuple[str, str] | None:
    """The pattern and what is said of it where all setups agree; None where they differ."""
    states = {c.state for c in cells}
    count = f"({sum(c.passed for c in cells)} of {sum(c.done for c in cells)} passed)"
    if not cells:
        return NOT_DONE, "was not done in any trial."
    if states == {"pass"}:
        return PASSES, f"passes in every setup tried {count}."
    if states != {"fail"}:
        return None
    if any(c.reference for c in cells):
        return EVERYWHERE, f"fails everywhere, in the known-good setup too {count}: the test may mislead."
    if len(cells) == 1:
        return EVERYWHERE, f"fails in the one setup tried {count}; nothing to compare."
    return EVERYWHERE, (
        f"fails in every setup tried {count}, but no known-good setup was among them: run it there before "
        "blaming a part."
    )


def _by_card(cells: Sequence[CheckCell], card: Condition | None) -> tuple[str, str]:
    """The pattern and what is said of it where setups differ: with the card and without."""
    having = [c for c in cells if c.with_card]
    lacking = [c for c in cells if c.with_card is False]
    if card is None or not having or any(c.state == "mixed" for c in cells):
        return MIXED, f"is mixed: {_rates(cells)}."
    without = [trial for c in lacking if c.state == "fail" for trial in c.trials]
    if without:
        return WITHOUT, f"fails without the card too (in {', '.join(without)}): not the card alone."
    pattern, said = _by_machine(having, card.words())
    return pattern, said + (_rates(cells) + "." if pattern == MIXED else "" if lacking else NOT_WITHOUT)


def _by_machine(having: Sequence[CheckCell], words: str) -> tuple[str, str]:
    """The same among setups with the card in question (where `words` says), by the machine it was in."""
    states: dict[tuple[str, ...], set[str]] = defaultdict(set)
    for c in having:
        states[c.machine].add(c.state)
    failing = [machine for machine, seen in states.items() if "fail" in seen]
    if any(len(seen) > 1 for seen in states.values()):
        return MIXED, f"both passes and fails where {words} in one machine: something else in the setup decides. "
    if len(states) == 1:
        return CARD_ONE, (
            f"fails where {words}, but only one machine was tried with it: a bad card cannot be told from one "
            "that does not suit this machine."
        )
    if len(failing) == len(states):
        return CARD_ANYWHERE, f"fails where {words}, in all {len(failing)} machines tried."
    return CARD_HERE, (
        f"fails where {words} only in {', '.join('/'.join(m) for m in failing)}; the card passes elsewhere: "
        "a conflict, not a bad card."
    )


def _rates(cells: Sequence[CheckCell]) -> str:
    return "; ".join(f"{', '.join(c.trials)} {c.passed} of {c.done}" for c in cells[:12])
