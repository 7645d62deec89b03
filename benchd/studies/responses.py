"""The published JSON forms of the study commands, by the name that `benchd schema` takes."""

from __future__ import annotations

from pydantic import BaseModel

from benchd.inference.answers import NextTrial
from benchd.inference.forms import Told
from benchd.studies.comparing import Compared
from benchd.studies.loaded import TrialView
from benchd.studies.weighing import Why


class WhyForm(Told[Why]):
    """`benchd why STUDY --json`: causes in falling order."""


class ProposalForm(Told[NextTrial]):
    """One proposed trial."""


class CompareForm(Told[Compared]):
    """`benchd compare A B --json`; further groups against the first under `others`."""


class TrialForm(Told[TrialView]):
    """A trial in `benchd trial list --json`: setup, verdicts, checks, predictions of the ROM scan."""


FORMS: dict[str, type[BaseModel]] = {
    "why": WhyForm,
    "next-trial": ProposalForm,
    "compare": CompareForm,
    "trial": TrialForm,
}
