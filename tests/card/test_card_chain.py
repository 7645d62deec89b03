"""The whole chain: a PC boots in an emulator, its writes are played on the bus of the emulated card, benchd judges.

The PC is QEMU with the test BIOS of tests/peers. The same writes also go the direct way, as raw bytes, and both ways
must come to the same boot.
"""

from __future__ import annotations

import contextlib
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from card.rig import BYTE_NS, MS, SECOND, Card, Line
from peers.firmware import GOOD_CODES
from peers.qemu import EmulatedPc
from peers.relay import PacedRelay, PortReader
from support.daemon import DaemonProcess, link_toml, wait_for

from benchd.demo.line import PtyLine, wait_until
from benchd.rules import Matcher
from benchd.rules.table import check_text
from benchd.vocabulary.events import BootChanged, BootOver, BootSettled
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Chunk, ClockMark, LinkInfo
from benchd.vocabulary.times import Anchor
from benchd.watch.pipeline import Pipeline

pytestmark = pytest.mark.peer("qemu", "nasm", "node", "npm")

TABLE = Path(__file__).parents[2] / "config" / "rules" / "test-firmware.toml"
LATENCY_NS = 16 * MS
"""A common USB adapter's latency timer: what came meanwhile is handed over together."""
Rows = list[tuple[int, bytes]]


@dataclass(frozen=True)
class Recorded:
    """What one boot wrote: POST codes and console bytes, each with its time (ns after the first code)."""

    codes: list[tuple[int, int]]
    console: Rows

    def through(self, card: Card, start_ns: float) -> Rows:
        """Play the codes on the card's bus from `start_ns` of its time on; return its bytes, times like the codes'."""
        for at, code in self.codes:
            card.ask("jump", max(0, start_ns + at - card.now))
            card.write([(0x80, code)])
            card.run(200_000)
        card.ask("jump", 30 * MS)
        return of_line(card.take(), start_ns)


@pytest.fixture(scope="module")
def recorded() -> Recorded:
    """One good boot of the emulated PC."""
    with (
        EmulatedPc.scenario("good", STEP_MS=20, COUNT_MS=30) as pc,
        PacedRelay(pc.post_port) as post,
        PacedRelay(pc.console_port, baud=38400) as console,
    ):
        readers = [PortReader(post.path), PortReader(console.path)]
        pc.go()
        readers[1].collect(until=b"Starting system\r\n")
        readers[0].collect(quiet_s=0.5)
        for reader in readers:
            reader.close()
        first = post.capture[0][0]
        codes = [(t - first, byte) for t, byte in post.capture]
        assert tuple(code for _, code in codes) == GOOD_CODES
        return Recorded(codes, [(t - first, bytes((byte,))) for t, byte in console.capture])


def ready(card: Card) -> float:
    """A card that ran for half a minute beside a machine without power, which now comes on; return when its CPU may."""
    card.fresh(power=0)
    card.line(BYTE_NS)
    card.run(5 * MS)
    for _ in range(30):
        card.ask("jump", 1000 * MS)
        card.run(MS)
    card.ask("set", {"power": 1, "reset": 1})
    card.run(MS)
    card.ask("jump", 100 * MS)
    card.ask("set", {"reset": 0})
    card.run(MS)
    return card.now + 50 * MS


def in_blocks(rows: Rows) -> Rows:
    """What an adapter with a latency timer makes of bytes: all of one period at its end."""
    blocks: dict[int, bytes] = {}
    for t, data in rows:
        end = (t // LATENCY_NS + 1) * LATENCY_NS
        blocks[end] = blocks.get(end, b"") + data
    return sorted(blocks.items())


def judged(framing: Any, post: Rows, console: Rows) -> list[Boot]:
    """The boots that benchd makes of the bytes of both links."""
    table, _ = check_text(TABLE.read_text(), TABLE.name)
    links = [
        LinkInfo("post", "post", framing, speed=115200, latency_ns=LATENCY_NS, code_port=0x80),
        LinkInfo("console", "console", "text", paced=False),
    ]
    pipeline = Pipeline("pc", links, Matcher(table), Anchor(1_600_000_000_000_000_000, 0))
    rows = [(t, "post", data) for t, data in in_blocks(post)] + [(t, "console", data) for t, data in console]
    base = 100 * SECOND
    events: list[object] = []
    for t, link, data in sorted(rows):
        events += pipeline.feed(ClockMark(base + t))
        events += pipeline.feed(Chunk(link, base + t, data))
    for second in range(1, 11):
        events += pipeline.feed(ClockMark(base + rows[-1][0] + second * SECOND))
    events += pipeline.drain()
    boots = {event.boot.id: event.boot for event in events if isinstance(event, BootChanged | BootSettled | BootOver)}
    return list(boots.values())


def essence(boot: Boot) -> tuple[object, ...]:
    findings = [(finding.kind, finding.rule, finding.stage) for finding in boot.findings]
    return boot.outcome, boot.last_code, [stage.name for stage in boot.stages], findings


def of_line(line: Line, start_ns: float) -> Rows:
    return [(round(t - start_ns), bytes((byte,))) for t, byte in zip(line.times, line.data, strict=True)]


def direct_rows(recorded: Recorded) -> Rows:
    """The same writes as single bytes of a card that sends each as it is."""
    return [(round(t + BYTE_NS), bytes((code,))) for t, code in recorded.codes]


def test_the_same_boot_as_by_the_direct_link_with_smaller_u(emulator: Card, recorded: Recorded) -> None:
    """Through a 16 ms adapter both ways give one boot; by the card its times are surer, and true within their u."""
    start = ready(emulator)
    before = of_line(emulator.take(), start)
    *_, by_card = judged("bench", before + recorded.through(emulator, start), recorded.console)
    (direct,) = judged("raw", direct_rows(recorded), recorded.console)
    assert essence(by_card) == essence(direct) and direct.outcome == "finished"
    codes = {"start": 0x01, "early": 0x03, "memory": 0x20, "display": 0x30, "rom-scan": 0x40, "scan-done": 0x4F}
    at = {code: t for t, code in recorded.codes}
    ours, theirs = ({stage.name: stage for stage in boot.stages} for boot in (by_card, direct))
    for name, code in codes.items():
        true_s = (at[code] - at[0x01]) / SECOND
        for told in (ours, theirs):
            assert abs(told[name].t - told["start"].t - true_s) <= told[name].u + told["start"].u, name
        assert ours[name].u < theirs[name].u
    assert sum(ours[name].u for name in codes) < 0.6 * sum(theirs[name].u for name in codes)


def feed(lines: dict[str, PtyLine], rows: list[tuple[int, str, bytes]]) -> None:
    """Send every byte at its time, now being the time of the first."""
    base = time.monotonic_ns() - rows[0][0]
    for t, name, data in rows:
        wait_until(base + t)
        lines[name].send(data)


def test_benchd_run_reads_the_card(emulator: Card, recorded: Recorded, tmp_path: Path) -> None:
    """A real `benchd run` reads the card's frames from a pty, and the direct bytes from another: the same boot."""
    start = ready(emulator)
    emulator.frames()
    frames = recorded.through(emulator, start)
    rows = [(t, "card", data) for t, data in frames] + [(t, "direct", data) for t, data in direct_rows(recorded)]
    rows += [(t, name, data) for name in ("card-com", "direct-com") for t, data in recorded.console]
    with contextlib.ExitStack() as stack:
        lines = {name: stack.enter_context(PtyLine()) for name in ("card", "card-com", "direct", "direct-com")}
        settings = ""
        for name, framing in (("card", "bench"), ("direct", "raw")):
            settings += f'[[machine]]\nname = "{name}"\nrules = "test-firmware"\n'
            settings += link_toml("post", lines[name].path, framing=framing, speed=115200, code_port="80")
            settings += link_toml("console", lines[f"{name}-com"].path, speed=115200)
        daemon = stack.enter_context(DaemonProcess(tmp_path, settings))
        wait_for(daemon.links_up)
        feed(lines, sorted(rows))

        def ended() -> list[dict[str, Any]]:
            boots = daemon.boots()
            return boots if [boot["outcome"] for boot in boots] == ["finished"] * 2 else []

        boots = {boot["machine"]: boot for boot in wait_for(ended, 90, 0.2)}
        assert daemon.metric("benchd_refused_bytes_total", machine="card") == 0
        assert daemon.metric("benchd_link_bytes_total", machine="card", link="post") == len(frames)
    assert all(line.lost == 0 for line in lines.values())
    (card, direct) = ({stage["name"]: stage for stage in boots[name]["stages"]} for name in ("card", "direct"))
    assert list(card) == list(direct) and boots["card"]["findings"] == boots["direct"]["findings"] == []
    assert boots["card"]["last_code"] == boots["direct"]["last_code"] == "60"
