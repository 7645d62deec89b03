"""`benchd reporter read`, `benchd map --measured` and `benchd show` as a person runs them, on one machine's report."""

from __future__ import annotations

import json
from pathlib import Path
from random import Random
from typing import Any

import jsonschema
import pytest
import typer
from live.by_capture import write
from support.delivery import cut
from support.reports import World, as_sent, option_rom
from support.story import TABLE
from typer.testing import CliRunner

from benchd.cli import map as map_command
from benchd.cli import reporter, show
from benchd.errors import BenchError, ExternalError, UsageError
from benchd.rom.forms import published
from benchd.store import Store
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Chunk, LinkInfo
from benchd.vocabulary.times import NS
from benchd.watch.rebuild import rebuild
from benchd.watch.replay import Replay

RNG = Random(3)
VIDEO, ADAPTER = option_rom(RNG, 0x8000), option_rom(RNG, 0x2000)
MAP = """
[scan]
preset = "pnp-1.0a"
[[window]]
name = "video"
base = "C0000"
size = "32K"
image = "video.bin"
[[window]]
name = "adapter"
base = "D0000"
size = "8K"
image = "adapter.bin"
positions = ["C8000", "D0000", "D8000"]
"""
CONSOLE = LinkInfo("console", "console", "text", speed=9600)


def machine() -> World:
    world = World()
    world.put(0xC0000, VIDEO)
    world.mirrored(0xC8000, ADAPTER, 0x4000)
    for at in range(0xF0000, 0x100000, 0x800):
        world.blocks[at] = RNG.randbytes(0x800)
    world.tests = [("display-1", 0xA0000, 0xAFFFF, 2, 0xA0400, 0x20)]
    return world


class Case:
    """A folder with settings, map, images, a saved text, and a capture of a boot with a report that is stored."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.lines = folder, machine().report()
        (folder / "video.bin").write_bytes(VIDEO)
        (folder / "adapter.bin").write_bytes(ADAPTER)
        (folder / "m.toml").write_text(MAP)
        (folder / "saved.txt").write_bytes(b"BIOS v1\r\n" + as_sent(self.lines) + b"C:\\>\r\n")
        (folder / "hurt.txt").write_bytes(
            as_sent([*self.lines[:5], self.lines[5].replace("crc", "cre"), *self.lines[6:]])
        )
        (folder / "wide.txt").write_text("\n".join(self.lines), "utf-16")
        (folder / "none.txt").write_text("~ nothing ~\n")
        (folder / "story.toml").write_text(TABLE)
        links = '[[machine.link]]\nkind = "console"\nport = "/dev/none"\n'
        (folder / "bench.toml").write_text(f'[[machine]]\nname = "pc"\nrules = "story.toml"\n{links}')
        data = b"Testing memory\r\n" + as_sent(self.lines) + b"storage rom ready\r\nStarting\r\n"
        records = cut(CONSOLE, data, range(16, len(data), 16), 9 * NS)
        self.capture = write(folder / "a.pcapng", records, text=TABLE, links=(CONSOLE,))
        (folder / "data").mkdir()
        (self.boot,) = Replay([self.capture]).boots()
        with Store.open(str(folder / "data/benchd.db")) as store:
            store.save_boot(self.boot, capture=str(self.capture))
        self.app = typer.Typer(pretty_exceptions_enable=False)
        for module in (map_command, reporter, show):
            module.register(self.app)

    def run(self, *words: str) -> tuple[int, str]:
        done = CliRunner().invoke(self.app, [str(self.folder / w) if "." in w else w for w in words])
        if done.exception is not None and not isinstance(done.exception, SystemExit):
            raise done.exception
        return done.exit_code, done.stdout

    def json(self, *words: str) -> Any:
        return json.loads(self.run(*words, "--json")[1])


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Case:
    return Case(tmp_path_factory.mktemp("measured"))


def test_a_saved_text_a_wide_one_and_a_capture_give_the_same(case: Case) -> None:
    one, two, three = (case.json("reporter", "read", name) for name in ("saved.txt", "wide.txt", "a.pcapng"))
    assert one == two == three and one["complete"]
    assert case.boot.measured is not None and case.boot.measured.model_dump(mode="json") == one
    assert case.run("reporter", "read", "saved.txt")[0] == 0


def test_what_is_damaged_is_told_first_and_is_exit_1(case: Case) -> None:
    code, text = case.run("reporter", "read", "hurt.txt")
    assert code == 1 and "NOT WHOLE" in text.splitlines()[0] and "damaged or lost: 1 line (05)" in text.splitlines()[1]
    with pytest.raises(ExternalError, match="holds no report: no line of a report is whole"):
        case.run("reporter", "read", "none.txt")


def test_images_are_named(case: Case) -> None:
    shown = case.json("reporter", "read", "saved.txt", "--map", "m.toml")
    assert [(one["at"], one["image"]) for one in shown["roms"]] == [
        ("C0000", "video.bin"), ("C8000", "adapter.bin"), ("CA000", "adapter.bin")
    ]  # fmt: skip
    shown = case.json("reporter", "read", "saved.txt", "--image", "adapter.bin")
    assert [one["image"] for one in shown["roms"]] == [None, "adapter.bin", "adapter.bin"]
    text = case.run("reporter", "read", "saved.txt", "--image", "adapter.bin")[1]
    assert "C8000-C9FFF  content, ROM header for 8 KiB, sum right, adapter.bin" in text
    assert "CA000-CBFFF  the same as at C8000" in text


def test_show_tells_the_report_and_its_json_carries_it(case: Case) -> None:
    text = case.run("show", "last", "--config", "bench.toml")[1]
    assert "measured by the machine itself (rom at C8000, 9600 bit/s): whole" in text
    assert "test display-1, A0000-AFFFF: FAILED, 2 bytes differ, first at A0400, bits 20" in text
    assert "test-display-1" in text, "a test is a check of the boot"
    shown = case.json("show", "last", "--config", "bench.toml")
    assert shown["measured"]["blocks"][16]["at"] == "C8000" and shown["lines"] == len(case.lines) + 3


@pytest.mark.parametrize("named", ["last", "a.pcapng", "saved.txt"])
def test_the_map_shows_measured_beside_predicted(case: Case, named: str) -> None:
    words = ("map", "m.toml", "--measured", named, "--config", "bench.toml")
    code, text = case.run(*words, "--check")
    assert code == 1
    assert "read    r! r! r! r! r! r! r! r! .  .  .  .  .  .  .  ." in text, "the row of C8000"
    assert "C8000-C9FFF  adapter.bin answers here: its first byte is at C8000" in text
    assert "CA000-CBFFF  mirror of C8000: the card decodes 16 KiB though its image has 8 KiB" in text
    assert "D0000-D1FFF  nobody answers: adapter is set to another place, switched off, or not seated" in text
    shown = case.json(*words)
    assert shown["measured"]["boot"] == (case.boot.id if named == "last" else None)
    jsonschema.validate(shown, published()["map"].model_json_schema(mode="serialization", by_alias=True))
    kinds = {one["at"]: one["kind"] for one in shown["measured"]["blocks"]}
    assert (kinds["C0000"], kinds["C8000"], kinds["CA000"], kinds["D0000"]) == ("same", "elsewhere", "mirror", "silent")


def test_room_is_where_nobody_answered(case: Case) -> None:
    """The map says that D0000 is taken and C8000 free; the machine says the opposite."""
    rooms = {one["name"]: one["bases"] for one in case.json("map", "m.toml", "--room", "8K")["room"]}
    assert "C8000" in rooms["an image of 8 KiB"] and "D0000" not in rooms["an image of 8 KiB"]
    rooms = {
        one["name"]: one["bases"]
        for one in case.json("map", "m.toml", "--room", "8K", "--measured", "saved.txt")["room"]
    }
    told = rooms["an image of 8 KiB"]
    assert told[0] == "CC000" and "D0000" in told and not {"C8000", "CA000"} & set(told)
    assert rooms["adapter"] == ["D0000", "D8000"]


def test_the_map_without_a_report_is_as_before(case: Case) -> None:
    assert "measured" not in case.json("map", "m.toml")
    for named, says in (("nobody", "there is no boot"), ("none.txt", "holds no report")):
        with pytest.raises(BenchError, match=says):
            case.run("map", "m.toml", "--measured", named, "--config", "bench.toml")


def test_a_boot_without_report_is_refused_with_what_to_do(case: Case, tmp_path: Path) -> None:
    other = Case(tmp_path)
    plain = Boot(id="pc-z", machine="pc", started="2026-03-01T20:00:00+01:00", outcome="finished")
    with Store.open(str(tmp_path / "data/benchd.db")) as store:
        store.save_boot(plain)
    with pytest.raises(UsageError, match="boot pc-z has no report: let the machine report itself"):
        other.run("map", "m.toml", "--measured", "pc-z", "--config", "bench.toml")


def test_bytes_that_come_late_change_nothing(case: Case) -> None:
    """The capture cut into other chunks gives the same boot."""
    data = b"Testing memory\r\n" + as_sent(case.lines) + b"storage rom ready\r\nStarting\r\n"
    whole = [Chunk("console", 9 * NS + len(data) * 10 * NS // 9600, data)]
    (boot,) = Replay([write(case.folder / "whole.pcapng", whole, text=TABLE, links=(CONSOLE,))]).boots()
    assert boot.measured == case.boot.measured and boot.checks[0].passed == case.boot.checks[0].passed


def test_a_rebuilt_boot_has_the_same_report(case: Case, tmp_path: Path) -> None:
    """What the store has lost the capture gives again."""
    with Store.open(str(tmp_path / "new.db")) as store:
        done = rebuild(store, [case.capture], case.folder, everything=True, since=None, told=lambda text: None)
        assert done.stored == 1 and store.boot(case.boot.id).measured == case.boot.measured
