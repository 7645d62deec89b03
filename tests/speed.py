"""How fast benchd is, as ratios: every figure that is wanted, measured in one run. Nothing of it is kept.

Run: python tests/speed.py [--only ROW]... [--list] [--mib 64]

Not collected by pytest: it takes some minutes, and times depend on the machine. Ratios compare between machines,
seconds do not. What is measured against what stands beside each row in `ROWS`. Needs moreutils for `console`, and a
package index for `size`; other load on the machine shows most in what is not processor time (`eight`).
"""

from __future__ import annotations

import argparse
import atexit
import os
import random
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any, NamedTuple

ROOT = Path(__file__).resolve().parents[1]
sys.path[:1] = [str(ROOT), str(ROOT / "tests")]

from boots.speed_pipeline import BYTE_NS, CONSOLE, POST, records, seconds, steady_codes  # noqa: E402
from capture.speed_capture import bare  # noqa: E402
from links.speed_idle import idle_shares  # noqa: E402
from live.speed_running import (  # noqa: E402
    BENCHD,
    LINE_BPS,
    MEASURED_S,
    Load,
    Running,
    codes_of_boots,
    console_lines,
    environment,
    full_text,
    loaded,
    machine,
    sending,
)
from live.speed_trace import full  # noqa: E402
from support.flood import Flood  # noqa: E402
from support.pipelines import ANCHOR, NS  # noqa: E402
from web import rig  # noqa: E402

from benchd.capture import CaptureWriter, read_capture  # noqa: E402
from benchd.clock import SYSTEM  # noqa: E402
from benchd.demo.line import PtyLine  # noqa: E402
from benchd.rules import Matcher, load_text  # noqa: E402
from benchd.store import Store  # noqa: E402
from benchd.vocabulary.models import Boot  # noqa: E402
from benchd.vocabulary.records import Annotation, Chunk  # noqa: E402
from benchd.watch.index import SUFFIX  # noqa: E402
from benchd.watch.learning import Learner  # noqa: E402
from benchd.watch.pipeline import Pipeline  # noqa: E402
from benchd.watch.trace import TraceReader  # noqa: E402

LINES, READ = 40_000, 184
CODES_PER_S = 2
"""Codes of a machine that is started again and again: a boot of 18 codes every nine seconds, as a quick one boots."""
MIB = 64


class Figure(NamedTuple):
    """One line of the table."""

    what: str
    wanted: str
    now: str
    holds: bool


def at_most(what: str, most: float, now: float, unit: str) -> Figure:
    return Figure(what, f"<= {most:g} {unit}", f"{now:.3g} {unit}", now <= most)


def cpu_of(command: list[str], folder: Path = ROOT, given: Path | None = None, most: int = 0) -> float:
    """Seconds of processor time, user and system, of a process that ends with `most` or less; the least of five."""
    taken = []
    for _ in range(5):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        with open(given or os.devnull, "rb") as text:
            done = subprocess.run(command, stdin=text, stdout=subprocess.DEVNULL, cwd=folder, env=environment())
        assert done.returncode <= most, command
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        taken.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(taken)


def table_of(rules: int) -> str:
    """A table whose faults are so many patterns of some shapes; none is in `console_lines`, but for `hit`."""
    chance = random.Random(rules)
    shapes = ("{a} {b} error", "{a}.*{b} failed", "{a}[ :]+[0-9]+ {b}", "({a}|{b}) not found", "^{a} {b}: ok$")
    text = '[table]\nname = "speed"\nsource = "made here"\n'
    text += '[[stage]]\nname = "end"\nenter = [{code = "FF"}]\nfinal = true\n'
    for n in range(rules - 1):
        a, b = ("".join(chance.choices("stuvwxyz", k=7)) for _ in "ab")
        text += f"[[fault]]\nname = \"f{n}\"\nseen = {{text = '{shapes[n % len(shapes)].format(a=a, b=b)}'}}\n"
    return text + "[[fault]]\nname = \"hit\"\nseen = {text = 'parity checked'}\n"


def captured(path: Path, table: str, data: bytes) -> Path:
    with CaptureWriter(path, machine="pc", table="speed", links=[CONSOLE], wall_ns=10**18, mono_ns=0) as out:
        out.write(Annotation(NS, "table", table))
        for at in range(0, len(data), READ):
            out.write(Chunk("console", NS + (at + READ) * BYTE_NS, data[at : at + READ]))
    return path


# ---------------------------------------------------------------- rows


def console(room: Path) -> Iterator[Figure]:
    """`benchd replay --json` against `ts`, both without their start-up; no rule's lines, and a hit in every tenth."""
    text = room / "lines.txt"
    for hits in (False, True):
        text.write_bytes(console_lines(LINES, hits))
        stamp = cpu_of(["ts"], given=text) - cpu_of(["ts"])
        for rules, least in ((100, 0.8), (1_900, 0.7)):
            table = table_of(rules)
            whole, none = (
                captured(room / f"{name}{rules}{hits}.pcapng", table, data)
                for name, data in (("whole", text.read_bytes()), ("none", console_lines(3)))
            )
            taken = cpu_of([*BENCHD, "replay", "--json", str(whole)]) - cpu_of([*BENCHD, "replay", "--json", str(none)])
            costs = f"{taken / LINES * 1e6:.1f} us a line against {stamp / LINES * 1e6:.1f}"
            what = f"console text, {rules} rules{', hits' if hits else ''}: {costs}"
            yield Figure(what, f">= {least} of ts", f"{stamp / taken:.2f}", stamp / taken >= least)


def pipeline_of(rules: int) -> Pipeline:
    return Pipeline("pc", (POST, CONSOLE), Matcher(load_text(table_of(rules), "speed.toml")), ANCHOR)


def fed(link: str, data: bytes, size: int) -> float:
    """Processor seconds of one pipeline for some bytes, the least of three."""
    rows, taken = records(link, data, size), []
    for _ in range(3):
        pipeline = pipeline_of(100)
        taken.append(seconds(lambda pipeline=pipeline: [pipeline.feed(row) for row in rows]))  # type: ignore[misc]
    return min(taken)


def byte(room: Path) -> Iterator[Figure]:
    """A byte of console text and a raw code in the pipeline alone."""
    for hits, most in ((False, 0.2), (True, 0.3)):
        data = console_lines(4_000, hits)
        what = f"a byte of console text, {'a hit in every tenth line' if hits else 'no rule knows it'}"
        yield at_most(what, most, fed("console", data, READ) / len(data) * 1e6, "us")
    yield at_most("a POST code (raw)", 5, fed("post", steady_codes(20_000), 1) / 20_000 * 1e6, "us")


def late_at_most(what: str, counts: dict[float, float]) -> Figure:
    """The 99th percentile by a histogram's bounds."""
    p99 = next((le for le, count in counts.items() if count >= 0.99 * counts[float("inf")]), float("inf"))
    return Figure(what, "<= 10 ms", f"<= {p99 * 1e3:g} ms", p99 <= 0.01)


def consoles(room: Path, count: int, most: float, what: str) -> Iterator[Figure]:
    """Machines with one console each that gets text at line speed: as serial ports, and as the ptys that they are."""
    for serial in (True, False):
        folder = room / f"{serial}"
        folder.mkdir()
        with ExitStack() as stack:
            lines = [stack.enter_context(PtyLine()) for _ in range(count)]
            machines = "".join(machine(f"pc{n}", console=line.path) for n, line in enumerate(lines))
            running = stack.enter_context(Running(folder, machines, serial=serial))
            stack.enter_context(sending(0.004, full_text(lines)))
            yield from costs(f"{what}{'' if serial else ' (a pty)'}", most, loaded(running))


def costs(what: str, most: float, load: Load) -> Iterator[Figure]:
    yield at_most(what, most, load.share, "% of a core")
    yield late_at_most(
        f"the same: p99 from read to event (a byte waits {load.waited_ms:.1f} ms for its read)", load.counts
    )


def one(room: Path) -> Iterator[Figure]:
    """Processor time of `benchd run` while a console gets text at line speed, and from byte to event."""
    yield from consoles(room, 1, 1.5, "`benchd run`, one full 115,200 baud console")


def texts(room: Path) -> Iterator[Figure]:
    """The same of eight machines: what a bench with eight talkative consoles takes."""
    yield from consoles(room, 8, 15, "eight machines, a full 115,200 baud console each")


def quiet(room: Path) -> Iterator[Figure]:
    """Processor time of `benchd run` with a link on which nothing comes, and of one such link without a daemon."""
    with PtyLine() as line, Running(room, machine("pc", console=line.path)) as running:
        before = running.cpu_s()
        time.sleep(MEASURED_S)
        yield at_most("`benchd run`, one idle link", 1, (running.cpu_s() - before) / MEASURED_S * 100, "% of a core")
    reading, waiting = idle_shares(MEASURED_S)
    yield at_most(f"an idle link (the waits alone: {waiting:.2%})", 1.5 * waiting * 100, reading * 100, "% of a core")


def eight(room: Path) -> Iterator[Figure]:
    """Eight machines with two links each: processor time, and from byte to event as the metrics tell it.

    First what eight talkative machines do: a full text console each, and the codes of real boots beside it. Then more
    than machines can: two full links each on which whole boots come without a pause, some 600 a second and machine.
    """
    with ExitStack() as stack:
        lines = [[stack.enter_context(PtyLine()) for _ in range(8)] for _ in ("console", "post")]
        machines = "".join(
            machine(f"pc{n}", console=console.path, post=post.path)
            for n, (console, post) in enumerate(zip(*lines, strict=True))
        )
        (room / "bench").mkdir()
        running = stack.enter_context(Running(room / "bench", machines, serial=True))
        stack.enter_context(sending(0.004, full_text(lines[0])))
        stack.enter_context(sending(0.01, codes_of_boots(lines[1], CODES_PER_S)))
        what = f"eight machines, a full text console and {CODES_PER_S} codes/s of boots each"
        yield from costs(what, 15, loaded(running))
    with ExitStack() as stack:
        floods = [Flood(LINE_BPS, seed=n) for n in range(8)]
        for flood in floods:
            stack.callback(flood.close)
        (room / "flood").mkdir()
        machines = "".join(machine(f"pc{n}", **flood.ports) for n, flood in enumerate(floods))
        running = stack.enter_context(Running(room / "flood", machines))
        for flood in floods:
            flood.start()
        yield from costs("eight machines, two full links of some 600 boots/s each", 15, loaded(running))


def reading(room: Path) -> Iterator[Figure]:
    """Records of a capture against a bare `struct` loop over the same file."""
    for size in (16, READ):
        path = room / f"c{size}.pcapng"
        with CaptureWriter(path, machine="m", table="t", links=[POST], wall_ns=0, mono_ns=0) as out:
            for n in range(20_000):
                out.write(Chunk("post", n, bytes(size)))
        ours = min(seconds(lambda path=path: list(read_capture(path).records())) for _ in range(5))
        least = min(seconds(lambda path=path: bare(path)) for _ in range(5))
        yield at_most(f"reading a capture, records of {size} bytes", 3, ours / least, "x a struct loop")


def late(room: Path) -> Iterator[Figure]:
    """Codes and lines of one boot late in a full capture, once it is indexed, as the daemon does while it watches."""
    path = room / "full.pcapng"
    full(path, MIB << 20)
    TraceReader().index(read_capture(path))
    with path.with_name(path.name + SUFFIX).open("rb") as index:
        boots = [line.split(b'"')[3].decode() for line in index if line.startswith(b'{"boot"')]
    taken = min(seconds(lambda: list(TraceReader().events(boots[-10], path))) for _ in range(7))
    yield at_most(f"one boot's codes and lines, late in {MIB} MiB", 50, taken * 1e3, "ms")


@cache
def stored(boots: int) -> Path:
    """A store of so many boots, made once and copied for each row; it is not synced: nobody is to keep it."""
    folder = Path(tempfile.mkdtemp(prefix="benchd-speed-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    with Store.open(str(folder / "benchd.db")) as store:
        engine = store._database._engine
        assert engine is not None
        connection = engine.raw_connection()  # the pool hands the same one out again
        connection.cursor().execute("PRAGMA synchronous=OFF")
        connection.close()
        rig.save_many(store, boots, machine="at286")
    return folder / "benchd.db"


def filled(room: Path, boots: int) -> Path:
    """A folder with settings and a store of so many boots."""
    (room / "data").mkdir(parents=True)
    (room / "bench.toml").write_text(machine("at286", post="/nowhere"))
    shutil.copyfile(stored(boots), room / "data/benchd.db")
    return room


def start(room: Path) -> Iterator[Figure]:
    """Whole commands from a cold start, processor time; beside it the interpreter, and libraries that all of them need.

    Nothing is waited for: on an idle machine it takes 2 % longer by the clock on the wall.
    """
    filled(room, 10_000)
    (room / "map.toml").write_text(rig.MAP)
    (room / "storage.bin").write_bytes(rig.option_rom(16, ident=0x45))
    with Store.open(str(room / "data/benchd.db")) as store:
        rig.save_study(store, room)
        rig.save_story(store)
    bare_ms = cpu_of([sys.executable, "-c", "pass"], room) * 1e3
    libraries_ms = cpu_of([sys.executable, "-c", "import pydantic.main, sqlalchemy, typer"], room) * 1e3
    for words, most in (
        (["--version"], 100), (["boots"], 300), (["show", "last"], 300), (["why", rig.STUDY], 1_000),
    ):  # fmt: skip
        taken = cpu_of([*BENCHD, *words], room, most=1) * 1e3  # `show` says so of a boot that stalled
        what = f"`benchd {' '.join(words)}` ({taken / bare_ms:.0f}x python"
        what += ")" if words == ["--version"] else f"; {libraries_ms:.0f} ms are pydantic, SQLAlchemy, typer)"
        yield at_most(what, most, taken, "ms")


def store(room: Path) -> Iterator[Figure]:
    """The same of a store with 10,000 boots and of one with 100."""
    few, some, many = (filled(room / str(boots), boots) for boots in (100, 1_000, 10_000))
    ratio = cpu_of([*BENCHD, "boots"], many) / cpu_of([*BENCHD, "boots"], few)
    yield at_most("`boots`, 10,000 boots against 100", 2, ratio, "x")
    paints, learnt = [], []
    for folder in (many, few):
        with Running(folder, machine("at286", post="/nowhere")) as running:
            paint = [running.get(path) for path in ("/", "/api/start", "/api/machines", "/api/boots?limit=20")]
            assert all(paint)
            paints.append(
                least_of(lambda running=running: [running.get(p) for p in ("/", "/api/start", "/api/machines")])
                + least_of(lambda running=running: running.get("/api/boots?limit=20"))
            )
        learnt.append(learning(folder))
    yield at_most("what the page's first paint asks for", 2, paints[0] / paints[1], "x")
    yield at_most("learning of limits after one more boot", 2, learnt[0][0] / learnt[1][0], "x")
    for boots, (_, there) in (("100 (500 good ones against 93)", learnt[1]), ("1,000", learning(some))):
        yield at_most(f"learning of limits at start, 10,000 boots against {boots}", 2, learnt[0][1] / there, "x")


def learning(folder: Path) -> tuple[float, float]:
    """Seconds to learn a machine's limits after one more boot, and from nothing, of a store just opened."""
    run: Any = SimpleNamespace(name="at286", table=SimpleNamespace(name="demo-at286"))
    taken = []
    for _ in range(9):
        with Store.open(str(folder / "data/benchd.db")) as kept:
            one = Learner(kept, {"at286": run}, lambda name, limits: None, SYSTEM)
            taken.append(seconds(lambda one=one: one._limits(run)))  # type: ignore[misc]
            (good,) = kept.boots(outcome="finished", limit=1)

            def more(one: Learner = one, good: Boot = good) -> None:
                one.saved(good)
                one._limits(run)

            after = least_of(more)
    return after, min(taken)


def least_of(work: Callable[[], object], rounds: int = 15) -> float:
    taken = []
    for _ in range(rounds):
        begun = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begun)
    return statistics.median(sorted(taken)[: rounds // 2])


def memory(room: Path) -> Iterator[Figure]:
    """Resident memory of `benchd run`: before anybody looks, after each view was, after boots were compared."""
    filled(room, 1_000)
    with Store.open(str(room / "data/benchd.db")) as kept:
        two = [boot.id for boot in kept.boots(limit=2)]
    with Running(room, machine("at286", post="/nowhere")) as running:
        yield at_most("memory of `benchd run`", 60, running.rss_mb(), "MB")
        compared = "&".join(f"of={name}" for name in two)
        views = ("/", "/api/start", "/api/machines", "/api/boots?limit=50", f"/api/boots/{two[0]}/page", "/api/studies")
        for what, paths in (
            ("the same after page use", (*views, "/metrics")),
            ("the same after boots were compared", (f"/api/compare?{compared}", f"/api/compare/times.svg?{compared}")),
        ):
            for path in paths:
                for _ in range(5):
                    running.get(path)
            if beside := running.beside_mb():
                what += f" (beside it {beside:.0f} MB, for 30 s)"
            yield at_most(what, 90, running.rss_mb(), "MB")


def size(room: Path) -> Iterator[Figure]:
    """What `pip install` puts on the disk, the installer itself left out: whole, and on a small board.

    With `--no-compile`, and with the bytecode that is written without: the interpreter writes that of what is used.
    """
    small = [["-r", str(ROOT / "config/small-board.txt")], ["--no-deps", str(ROOT)]]
    for what, steps, most in (("whole", [[str(ROOT)]], 250), ("for a small board", small, 125)):
        there = room / what
        for step in steps:
            command = [sys.executable, "-m", "pip", "install", "-q", "--no-cache-dir", "--no-compile", "--upgrade"]
            subprocess.run([*command, "--target", str(there), *step], check=True, cwd=room, capture_output=True)
        yield at_most(f"installed size, {what}, `pip install --no-compile`", most, disk_mb(there), "MB")
        # As pip does it otherwise; what cannot be compiled (parts of tests that are to fail) it leaves out as well.
        subprocess.run([sys.executable, "-m", "compileall", "-q", str(there)], cwd=room, capture_output=True)
        yield at_most(f"installed size, {what}, `pip install`", most, disk_mb(there), "MB")


def disk_mb(folder: Path) -> float:
    files = [path for path in folder.rglob("*") if path.is_file() and not path.is_symlink()]
    return sum(path.stat().st_blocks * 512 for path in files) / 1e6


ROWS: dict[str, Callable[[Path], Iterator[Figure]]] = {
    row.__name__: row for row in (console, byte, quiet, one, texts, eight, reading, late, start, store, memory, size)
}


def main() -> None:
    global MIB
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", action="append", choices=ROWS, metavar="ROW", help=", ".join(ROWS))
    parser.add_argument("--list", action="store_true", help="the rows, and what they measure")
    parser.add_argument("--mib", type=int, default=MIB, help="size of the full capture (default 64: some minutes)")
    given = parser.parse_args()
    MIB = given.mib
    if given.list:
        print("\n".join(f"{name:8} {row.__doc__}" for name, row in ROWS.items()))
        return
    print(f"{'':74} {'wanted':>22} {'now':>22}  holds")
    held = True
    for name in given.only or ROWS:
        with tempfile.TemporaryDirectory(prefix="benchd-speed-") as room:
            for figure in ROWS[name](Path(room)):
                held &= figure.holds
                print(
                    f"{figure.what:74} {figure.wanted:>22} {figure.now:>22}  {'yes' if figure.holds else 'NO'}",
                    flush=True,
                )
    sys.exit(0 if held else 1)


if __name__ == "__main__":
    main()
