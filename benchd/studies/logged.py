"""What the machine said, of all that a replay tells: codes and lines by which boots are compared, tables drafted."""

from __future__ import annotations

from benchd.inference.bootlog import Event
from benchd.vocabulary.events import CodeSeen, LineSeen
from benchd.vocabulary.times import NS


def logged(event: object, *, in_boot: bool = True) -> Event | None:
    """A code or a whole line, its time in seconds of the boot (`in_boot` False: of the run); None for anything else.

    Lines of a report are something else: they say the same whichever boot and BIOS it is.
    """
    if isinstance(event, CodeSeen):
        kind, value = "code", event.code
    elif isinstance(event, LineSeen) and not event.passing and event.text.strip():
        kind, value = "line", event.text
    else:
        return None
    return Event(kind, value, (event.t or 0.0) if in_boot else event.t_ns / NS)
