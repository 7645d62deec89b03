"""`benchd card`: listen to a card and say what it is; write the firmware of the card that benchd has plans for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from benchd.card.image import SUFFIXES, image
from benchd.card.listening import listen
from benchd.cli.options import JsonOption
from benchd.cli.output import clean, emit_json, say, tell
from benchd.decode.cardcheck import CardReport
from benchd.errors import UsageError
from benchd.files import write_new
from benchd.links.settings import HUNT, PortSettings

sub = typer.Typer(no_args_is_help=True, help="The POST-code card: check one, write its firmware.")

LONGEST_S = 3600
NOT_TOLD = "the card does not tell"
NOT_CHANGED = "not told in this time; the card tells it when it starts and at each change"


def register(app: typer.Typer) -> None:
    """Add the `card` commands."""
    app.add_typer(sub, name="card")


@sub.command("check")
def check(
    port: Annotated[str, typer.Argument(help="The port, as `benchd ports` names it.", metavar="PORT")],
    seconds: Annotated[float, typer.Option(help="How long to listen at most; Ctrl-C ends it earlier.")] = 30,
    speed: Annotated[str, typer.Option(help="Bits per second, or hunt to find it.")] = "115200",
    json: JsonOption = False,
) -> None:
    """Listen to a card and say what it tells.

    Firmware, watched ports, clock, losses, refused frames, bus power. For cards of any make that send bench frames;
    nothing is sent.

    Exit codes: 0 a card was heard and nothing was lost or refused, 1 none was, something was, or the port failed, 2
    wrong use.
    """
    if not 0 < seconds <= LONGEST_S:
        raise UsageError(f"--seconds: {seconds:g} is not above 0 and at most {LONGEST_S}")
    if speed != HUNT and not speed.isdecimal():
        raise UsageError(f"--speed: {speed!r} is no number of bits per second, nor hunt")
    report = listen(PortSettings(port, HUNT if speed == HUNT else int(speed)), seconds)
    if json:
        emit_json(asdict(report))
    else:
        tell(clean(line) for line in card_text(report))
    if not report.fine:
        raise typer.Exit(1)


@sub.command("image")
def write_image(
    out: Annotated[Path, typer.Option("--out", "-o", help="The new file; .uf2 or .bin.")],
) -> None:
    """Write the card's firmware.

    A .uf2 file is copied to the drive that the board shows when its boot button is held; a .bin file is what flash
    holds from its beginning. Never overwrites.

    Exit codes: 0 fine, 1 the file cannot be written, 2 wrong use, or the file is there already.
    """
    suffix = out.suffix.lower()
    if suffix not in SUFFIXES:
        raise UsageError(f"--out: {out.name!r} ends neither in {' nor in '.join(SUFFIXES)}")
    data = image(suffix)
    if out.exists() and not out.is_dir():
        raise UsageError(f"{out} exists: name another output")
    write_new(out, data, False, [])
    say(f"{clean(str(out))}: {len(data):,} bytes")
    say("caution: load it with the card out of the machine, and unplug the machine before the card goes in")


def card_text(report: CardReport) -> list[str]:
    """Return the report as lines for people."""
    if report.trouble:
        return [f"{report.port}: no card that sends bench frames was heard", f"  {report.trouble}."]
    at = "" if report.speed is None else f" at {report.speed} bit/s"
    rows = [
        ("firmware", report.firmware or NOT_TOLD),
        ("ports watched", ", ".join(f"{one:02X}h" for one in report.ports_watched) or NOT_TOLD),
        ("bus power", _power(report)),
        ("tick", NOT_TOLD if report.tick_ns is None else f"{report.tick_ns:,} ns"),
        ("its clock", _skew(report)),
        ("frames", _frames(report)),
        ("codes by port", _counted({f"{port}h" if port else "no port": n for port, n in report.ports_seen.items()})),
        ("lost by the card", f"{report.lost_by_card} writes" if report.lost_by_card else "nothing"),
        ("lost on the way", f"{report.lost_on_the_way} entries" if report.lost_on_the_way else "nothing"),
        ("refused", _counted(report.refused)),
        ("the port tells of", _counted(report.faults)),
    ]
    lines = [f"{report.port}: a card that sends bench frames, heard for {report.seconds:.1f} s{at}"]
    lines += [f"  {name}: {value}" for name, value in rows]
    if report.cut:
        lines.append("  One frame was cut because listening began in the middle of it: that is no fault.")
    return lines


def _power(report: CardReport) -> str:
    if report.power is None:
        return NOT_CHANGED if report.firmware else NOT_TOLD
    return "there" if report.power else "gone"


def _skew(report: CardReport) -> str:
    if report.tick_ns is None:
        return "not known without the length of its tick"
    if report.skew_ppm is None or report.skew_u_ppm is None:
        return "not known yet: that takes frames in 12 different seconds"
    way = "fast" if report.skew_ppm >= 0 else "slow"
    return f"{abs(report.skew_ppm):.0f} ppm {way} against this computer's (±{report.skew_u_ppm:.0f} ppm)"


def _frames(report: CardReport) -> str:
    said = f"{report.frames} sound, {report.codes} codes in them, {report.alive} that say no more than alive"
    said += f", {report.resets} resets of the bus" if report.resets else ""
    return said + (f", {report.starts} starts of the card" if report.starts else "")


def _counted(counts: Mapping[str, int]) -> str:
    return ", ".join(f"{name} {count}" for name, count in counts.items()) or "nothing"
