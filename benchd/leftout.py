"""Libraries that a small board may do without, and what is said where one of them is wanted.

What needs none of them: `run` with its page, `replay`, `boots`, `show`, `live`, rule tables, trials.
"""

from __future__ import annotations

from benchd.errors import ExternalError

LEFT_OUT = {
    "numpy": "to weigh causes, rank trials, compare boots and draft tables",
    "scipy": "to compare boots",
    "capstone": "to show a ROM's code",
    "bincopy": "to read ROM images in text forms",
    "jinja2": "to write reports",
}
"""Library: what it is needed for. `config/small-board.txt` has all the others."""


def missing(error: ModuleNotFoundError) -> ExternalError | None:
    """Return what to say where one of them is not there, None for any other module: that is a bug."""
    name = (error.name or "").split(".")[0]
    if name not in LEFT_OUT:
        return None
    return ExternalError(f"{name} is not installed here, which is needed {LEFT_OUT[name]}: pip install {name}")
