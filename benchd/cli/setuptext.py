"""What `benchd setup` says of what it heard, and what it writes because of that."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from benchd.cli.first_settings import NewLink
from benchd.decode.heard import Says, says
from benchd.watch.listening import Heard

SWAPPED = {
    True: "The two ports look exchanged. Write them the other way round?",
    False: "What comes is text, not codes. Write it as a null-modem console?",
}
SHOWN = 8
"""Codes, and the characters of lines, that show what comes."""
LINE = 60


def heard_text(heard: Heard) -> Iterator[str]:
    """Yield what one link said, as lines for people; they may hold text from the wire."""
    if heard.down and heard.state is not None:
        yield heard.state.reason
        return
    said = says(heard.info, heard.records)
    if heard.state is not None and said.received:
        yield heard.state.reason
    if not heard.swapped:
        yield from _came(heard, said)
    if heard.wrong is not None:
        todo = "" if heard.swapped else f". To do: {'; '.join(heard.wrong.advice)}"
        yield heard.wrong.shows + todo


def _came(heard: Heard, said: Says) -> Iterator[str]:
    if not said.received and heard.left_out:
        yield f"{heard.left_out} bytes came, and read as text at no speed yet: it is hunted for at each start"
    elif not said.received:
        yield "nothing came: the machine was off, or says nothing here, or the cable is another one"
    if said.codes:
        more = f" and {len(said.codes) - SHOWN} more" if len(said.codes) > SHOWN else ""
        shown = " ".join(f"{code:02X}" for code in said.codes[:SHOWN])
        yield f"{'code' if len(said.codes) == 1 else 'codes'} {shown}{more}, read as {said.framing}"
    if said.lines:
        yield f'text: "{said.lines[0].strip()[:LINE]}"'


def settled_link(link: NewLink, heard: Heard) -> NewLink:
    """Return the link with the speed and the framing that were found, where they were."""
    said = says(heard.info, heard.records)
    speed = heard.state.speed if heard.state is not None and heard.state.up else None
    if link.speed == "hunt" and said.received and speed is not None:
        link = replace(link, speed=speed, found="found by listening")
    if link.kind == "post" and said.received:
        link = replace(link, framing=said.framing)
    return link
