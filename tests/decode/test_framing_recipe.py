"""A framing added as DEVELOPERS.md says is known to settings, speed hunt and decoding; the notes know them all."""

from __future__ import annotations

import os
import re
import threading
import time
from pathlib import Path

import pytest
from links.port_rig import Pty
from links.uart_sim import hunt
from support.delivery import accounted, cut, run, ways

from benchd.decode import framing_of, framings, framings_of
from benchd.decode.framings import FRAMINGS, FramingKind
from benchd.decode.link import Framing, Outlet
from benchd.links.hunt import Hunter, Lock
from benchd.links.lines import STANDARD_RATES
from benchd.rules import load_text
from benchd.settings import LoadedSettings, link_infos, load_settings
from benchd.tomlfile import FileProblems
from benchd.vocabulary.events import CodeSeen
from benchd.vocabulary.hunting import HuntLimits, HuntScoring, Tally
from benchd.vocabulary.observations import Code
from benchd.vocabulary.records import LinkState
from benchd.vocabulary.times import Anchor
from benchd.watch.watcher import MachineWatcher, stop_all

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "firmware-notes/card-framings.md").read_text(encoding="utf-8")
OCTAL = b"".join(b"%03o\r\n" % code for code in (1, 0o17, 0o101, 0o222, 0o377, 0o345, 0o76, 0o2))
SETTINGS = """
[[machine]]
name = "pc"
rules = "x"
[[machine.link]]
kind = "post"
port = "{port}"
framing = "octal"
speed = "hunt"
"""
TABLE = '[table]\nname = "t"\nsource = "own"\n[[stage]]\nname = "a"\nenter = [{ code = "FE" }]\nfinal = true\n'


class Octal(Framing):
    """Three octal digits and a line end a code."""

    def __init__(self, outlet: Outlet) -> None:
        super().__init__(outlet)
        self._digits = b""

    def byte(self, value: int, t_ns: int, u_ns: int) -> None:
        if value not in b"\r\n":
            self._digits += bytes((value,))
            return
        self._end("no-octal", t_ns, u_ns)
        self._outlet.counts.settle()

    def drop(self, reason: str, t_ns: int, u_ns: int) -> None:
        self._end(reason, t_ns, u_ns)

    def _end(self, reason: str, t_ns: int, u_ns: int) -> None:
        digits, self._digits = self._digits, b""
        if re.fullmatch(rb"[0-3][0-7][0-7]", digits):
            self._outlet.counts.settle(3)
            self._outlet.emit(Code(self._outlet.link, t_ns, u_ns, int(digits, 8), self._outlet.info.code_port))
        else:
            self._outlet.refuse(reason, len(digits), t_ns, u_ns)


def judge(data: bytes, bad: int) -> Tally:
    well = sum(value in b"01234567\r\n" for value in data)
    return Tally(max(0, well - bad), max(len(data), bad), len(set(data)))


ROW = FramingKind(
    "octal",
    "post",
    Octal,
    HuntScoring(judge, HuntLimits(out=16, few=24, many=120, variety=5, lock=0.85, reject=0.7, window=96, garbage=0.6)),
    "text, three octal digits a code",
    refuses=("no-octal",),
)


@pytest.fixture
def octal(monkeypatch: pytest.MonkeyPatch) -> FramingKind:
    monkeypatch.setattr(framings, "FRAMINGS", [*FRAMINGS, ROW])
    return ROW


def loaded(folder: Path, port: str = "/dev/ttyUSB0") -> LoadedSettings:
    (folder / "bench.toml").write_text(SETTINGS.format(port=port))
    return load_settings(folder / "bench.toml")


def test_without_its_row_the_framing_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileProblems, match=r":8: machine\[1\]\.link\[1\]\.framing: 'octal' is no framing: use 'raw'"):
        loaded(tmp_path)


def test_settings_hunt_and_decoding_know_it(octal: FramingKind, tmp_path: Path) -> None:
    """From settings to codes; the hunt finds each standard rate, and none where the right one is not tried."""
    (info,) = link_infos(loaded(tmp_path).settings.machine[0])
    assert framing_of(info) is octal
    for chunks in ways(info, OCTAL, (2, 9, 10, 23)):
        seen, decoder = run(info, chunks)
        assert [one.value for one in seen if isinstance(one, Code)] == [int(w, 8) for w in OCTAL.split()]
        assert accounted(decoder) and not decoder.counts.refused
    _, decoder = run(info, cut(info, b"99\r\n" + OCTAL))
    assert accounted(decoder) and decoder.counts.refused == {"no-octal": 2}
    for sent in STANDARD_RATES:
        lock = hunt(Hunter(STANDARD_RATES, octal.hunt), OCTAL * 4, sent, marks=False, rounds=200)[-1]
        assert isinstance(lock, Lock) and lock.rate == sent
        others = tuple(rate for rate in STANDARD_RATES if rate != sent)
        told = hunt(Hunter(others, octal.hunt), OCTAL * 6, sent, marks=False, rounds=10)
        assert not any(isinstance(one, Lock) for one in told)


def test_a_watched_machine_hunts_and_decodes_it(octal: FramingKind, tmp_path: Path) -> None:
    """On a real pty, by the same wiring as the daemon: the speed is told as found, then come the codes."""
    pty = Pty(tmp_path / "port")
    part = loaded(tmp_path, str(pty.link)).settings.machine[0]
    anchor = Anchor(time.time_ns(), time.monotonic_ns())
    kept = threading.Event()
    watcher = MachineWatcher(part, load_text(TABLE, "t.toml"), TABLE, tmp_path, anchor, kept=kept.set)
    watcher.start()
    codes: list[int] = []
    reasons: list[str] = []
    try:
        until = time.monotonic() + 30
        while len(codes) < 24 and time.monotonic() < until:
            os.write(pty.master, OCTAL)
            kept.wait(1)
            kept.clear()
            while (judged := watcher.judge())[0]:
                records, events = judged
                reasons += [record.reason for record in records if isinstance(record, LinkState)]
                codes += [int(event.code, 16) for event in events if isinstance(event, CodeSeen)]
    finally:
        stop_all([watcher], 5)
        watcher.finish()
        pty.unplug()
    assert any("characters read well" in reason for reason in reasons), reasons
    assert {int(word, 8) for word in OCTAL.split()} <= set(codes)


def test_the_recipe_names_files_that_are_there() -> None:
    recipe = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("- **A framing**")[1].split("\n- **")[0]
    named = re.findall(r"`([\w/.-]+/[\w./-]+)`", recipe)
    assert {"benchd/decode/framings.py", "benchd/decode/score.py", "firmware-notes/contract.md"} <= set(named)
    assert all((ROOT / name).exists() for name in named), named


def test_the_page_describes_every_framing() -> None:
    """The table of firmware-notes/card-framings.md is the table of the code, so are the names of refusals."""
    rows = re.findall(r"^\| `(\w+)` \| (.+?) \| (.+?) \| (.+?) \| (.+?) \|$", PAGE.split("\n## ")[0], re.M)
    wanted = [(r.name, r.sends, r.tells_port, r.tells_losses, r.tells_time) for r in framings_of("post")]
    assert rows == wanted
    of_any_link = {"break-nul", "link-down", "speed-change"}
    for row in framings_of("post"):
        section = next(s for s in PAGE.split("\n## ")[1:] if s.split(",")[0].split("\n")[0] == row.name)
        refused = "".join(re.findall(r"Refused(?: frames)?:(.+?)(?:\n\n|\. |\Z)", section, re.S))
        told = set(re.findall("`([a-z-]+)`", refused))
        assert told - of_any_link == set(row.refuses), row.name
    contract = (ROOT / "firmware-notes/contract.md").read_text(encoding="utf-8")
    (line,) = [line for line in contract.split("\n") if line.startswith("| `machine.link.framing`")]
    assert re.findall("`([a-z]+)`", line.split("|")[3]) == [row.name for row in framings_of("post")]
