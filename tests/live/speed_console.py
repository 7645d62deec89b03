"""What judging console text costs as a command, held against `ts` (moreutils) stamping the same lines.

Run: python tests/live/speed_console.py [LINES] [DIRECTORY]

Not collected by pytest (times depend on the machine). Times are processor time of the process, user and system; what
a start costs (the same command with one line) is taken off.
"""

from __future__ import annotations

import random
import resource
import statistics
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

sys.path[:1] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[1])]

from benchd.capture import CaptureWriter  # noqa: E402
from benchd.vocabulary.records import Annotation, Chunk, LinkInfo  # noqa: E402
from benchd.vocabulary.times import NS, byte_time_ns  # noqa: E402

SPEED = 115_200
READ = 184
"""Bytes of one read: what a 16550 and a latency timer of 16 ms bring at 115,200 baud."""
LINES = 40_000
ROUNDS = 5
CONSOLE = LinkInfo("console", "console", "text", speed=SPEED)


@dataclass(frozen=True, slots=True)
class AgainstStamps:
    """What a line costs (us): stamped by `ts`, and replayed. `ratio` is the first by the second: 1 is as fast."""

    stamping_us: float
    replay_us: float

    @property
    def ratio(self) -> float:
        return self.stamping_us / self.replay_us


def console_lines(count: int, hit_every: int = 0) -> list[bytes]:
    """Lines of some 72 characters as a kernel writes them; each `hit_every`th is one that a rule of `table` knows."""
    rng = random.Random(1)
    letters = "etaoinshrdlucmfwypvbgkqjxz"
    out = []
    for n in range(count):
        words = " ".join("".join(rng.choices(letters, k=rng.randint(3, 9))) for _ in range(8))
        told = f"mark{n // hit_every % 50:04d} seen " if hit_every and n % hit_every == 0 else ""
        out.append(f"[{n / 160:12.6f}] {told}{words}\r\n".encode())
    return out


def table(rules: int) -> str:
    """A table of so many patterns, as the text of a rule file: a stage, and texts after which silence is a stall."""
    out = [
        '[table]\nname = "many"\nsource = "invented for measuring"\n[boot]\nquiet = "30s"\n[[stage]]\nname = "first"'
    ]
    out.append('enter = [{ text = "mark0000 seen" }]\nlimit = "10min"')
    for n in range(1, rules):
        out.append(
            f'[[stall]]\nname = "stall-{n:04d}"\nafter = {{ text = "mark{n:04d} (seen|passed)" }}\nquiet = "30s"'
        )
        out.append('means = "a place"\ntry = ["look"]')
    return "\n".join(out) + "\n"


def write_capture(path: Path, lines: list[bytes], rules: int) -> None:
    """Write the lines as one console's records, at line speed, in reads of `READ` bytes."""
    data, byte_ns = b"".join(lines), byte_time_ns(SPEED)
    with CaptureWriter(path, machine="pc", table="many", links=[CONSOLE], wall_ns=1_750_000_000 * NS, mono_ns=0) as out:
        out.write(Annotation(NS, "table", table(rules)))
        for at in range(0, len(data), READ):
            piece = data[at : at + READ]
            out.write(Chunk("console", 2 * NS + (at + len(piece)) * byte_ns, piece))


def processor_s(command: list[str], given: Path | None = None) -> float:
    """Processor time of one run of a command, user and system."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    with open(given or "/dev/null", "rb") as source:
        subprocess.run(command, stdin=source, stdout=subprocess.DEVNULL, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def against_stamps(
    rules: int, room: Path, lines: int = LINES, rounds: int = ROUNDS, hit_every: int = 0
) -> AgainstStamps:
    """Measure both in turn, `rounds` times; the medians. Needs `ts` (Debian: moreutils)."""
    text = console_lines(lines, hit_every)
    files = {name: room / f"{name}-{rules}-{hit_every}.pcapng" for name in ("all", "one")}
    write_capture(files["all"], text, rules)
    write_capture(files["one"], text[:1], rules)
    (room / "all.txt").write_bytes(b"".join(text))
    (room / "one.txt").write_bytes(text[0])
    replay = [sys.executable, "-m", "benchd", "replay", "--json"]
    stamped, replayed = [], []
    for _ in range(rounds):
        stamped.append(processor_s(["ts"], room / "all.txt") - processor_s(["ts"], room / "one.txt"))
        replayed.append(processor_s([*replay, str(files["all"])]) - processor_s([*replay, str(files["one"])]))
    return AgainstStamps(*(statistics.median(times) / lines * 1e6 for times in (stamped, replayed)))


def main() -> None:
    lines = int(sys.argv[1]) if len(sys.argv) > 1 else LINES
    with tempfile.TemporaryDirectory(dir=sys.argv[2] if len(sys.argv) > 2 else None) as room:
        for rules, hit_every in ((100, 0), (1900, 0), (100, 10), (1900, 10)):
            found = against_stamps(rules, Path(room), lines, hit_every=hit_every)
            print(
                f"{rules} rules, a hit every {hit_every or 'no'} lines: ts {found.stamping_us:.1f} us, "
                f"replay {found.replay_us:.1f} us a line: {found.ratio:.2f}"
            )


if __name__ == "__main__":
    main()
