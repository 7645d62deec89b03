"""A boot's codes and stages as VCD (IEEE 1364-2005, section 18), which any waveform viewer reads."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

from vcd import VCDWriter

from benchd import __version__
from benchd.vocabulary.events import CodeSeen, Event, StageEntered
from benchd.vocabulary.models import Boot
from benchd.watch.trace import TraceReader

UNIT_NS = 1000
"""The timescale: 1 us. No card is better known."""


def waveform(boot: Boot, capture: Path, base: Path = Path()) -> tuple[str, int]:
    """Return the VCD of a boot, read from the capture that it began in, and how many codes it shows.

    Each port is a vector of 8 or 16 bits (x before its first code) with a `strobe` that turns at every code, so that
    one that comes twice is seen; `stage` is a string variable. Time 0 is the boot's start; codes from before it, by
    their uncertainty, stand at 0. Raises what `TraceReader.events` raises.
    """
    events = [
        event for event in TraceReader(base).events(boot.id, capture) if isinstance(event, CodeSeen | StageEntered)
    ]
    codes = [event for event in events if isinstance(event, CodeSeen) and event.t is not None]
    u_us = max((event.u_ns / UNIT_NS for event in codes), default=0.0)
    comment = (
        f"boot {boot.id}: {boot.outcome}. Timescale 1 us, from the boot's start; times are true to {u_us:.0f} us or "
        "better (half-width). A code stands until the next one on its port; strobe turns at each code."
    )
    text = io.StringIO()
    _draw(text, boot, events, _plain(comment))
    return text.getvalue(), len(codes)


def _draw(text: io.StringIO, boot: Boot, events: Sequence[CodeSeen | StageEntered], comment: str) -> None:
    codes = [event for event in events if isinstance(event, CodeSeen) and event.t is not None]
    with VCDWriter(text, timescale="1 us", date=boot.started, comment=comment, version=f"benchd {__version__}") as out:
        ports = {}
        for port in dict.fromkeys(event.port for event in codes):
            scope = "post" if port is None else f"port_{port:X}h"
            size = 16 if any(len(event.code) > 2 for event in codes if event.port == port) else 8
            ports[port] = (out.register_var(scope, "code", "wire", size=size, init="x"),
                           out.register_var(scope, "strobe", "wire", size=1, init=0))  # fmt: skip
        stage = out.register_var("boot", "stage", "string", init="-")
        turned = dict.fromkeys(ports, 0)
        last = 0
        for event in sorted(events, key=lambda event: (_us(event), isinstance(event, StageEntered))):
            last = at = max(last, _us(event))
            if isinstance(event, StageEntered):
                out.change(stage, at, _plain(event.stage))
            elif event.t is not None:
                code, strobe = ports[event.port]
                turned[event.port] ^= 1
                out.change(code, at, int(event.code, 16))
                out.change(strobe, at, turned[event.port])
        out.close(max(last, round(boot.duration_s * 1e9 / UNIT_NS)))


def _us(event: Event) -> int:
    return max(0, round((getattr(event, "t", None) or 0.0) * 1e9 / UNIT_NS))


def _plain(text: str) -> str:
    """Return text that ends no section of the file and breaks no line: names come from a table that anybody wrote."""
    return "".join(ch if "!" <= ch <= "~" and ch != "$" else " " if ch == " " else "_" for ch in text)
