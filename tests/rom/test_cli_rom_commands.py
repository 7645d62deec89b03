"""`benchd rom` and `benchd map` as a user runs them: contract JSON, never in place, no traceback."""

from __future__ import annotations

import hashlib
import json
import random
from pathlib import Path
from typing import Any

import bincopy
import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.option_roms import GOLDEN, option_rom
from typer.testing import CliRunner

from benchd.cli import map as map_command
from benchd.cli import rom as rom_command
from benchd.errors import BenchError, ExternalError, UsageError
from benchd.rom.forms import published


class Bench:
    """Runs commands in a directory of its own and keeps what they printed."""

    def __init__(self, where: Path) -> None:
        import typer

        self.where = where
        self.app = typer.Typer(pretty_exceptions_enable=False)
        rom_command.register(self.app)
        map_command.register(self.app)

    def run(self, *words: str | Path) -> str:
        """Return what was printed; raises the BenchError, AssertionError for a wrong-use exit."""
        result = CliRunner().invoke(self.app, [str(word) for word in words])
        if isinstance(result.exception, BenchError):
            raise result.exception
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        assert result.exit_code in (0, 1), result.output
        self.code = result.exit_code
        return result.stdout

    def json(self, *words: str | Path) -> Any:
        return json.loads(self.run(*words, "--json"))

    def file(self, name: str, data: bytes | str) -> Path:
        path = self.where / name
        path.write_bytes(data.encode() if isinstance(data, str) else data)
        return path


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def test_inspect_gives_the_contract_s_fields(bench: Bench) -> None:
    shown = bench.json("rom", "inspect", bench.file("g.bin", GOLDEN))
    assert {
        "size": 512, "length_bytes": 512, "signature_ok": True, "checksum": 0, "checksum_ok": True,
        "entry": None, "pnp": None, "pcir": None, "images": 1, "problems": [],
    }.items() <= shown.items()  # fmt: skip
    assert shown["sha256"] == hashlib.sha256(GOLDEN).hexdigest()


def test_inspect_reads_hex_and_srecord_text(bench: Bench) -> None:
    """Written by bincopy, a library: the same image comes back, whatever its load address."""
    rom = option_rom(16)
    text = bincopy.BinFile()
    text.add_binary(rom, address=0xC8000)
    for name, content in (("r.hex", text.as_ihex()), ("r.s19", text.as_srec())):
        shown = bench.json("rom", "inspect", bench.file(name, content))
        assert shown["sha256"] == hashlib.sha256(rom).hexdigest() and shown["problems"] == []
        assert "C8000h" in shown["notes"][0]


@pytest.mark.parametrize(
    "text",
    [":10000000FF", ":zz", ":00000001FF\n", "S1", "S113000055AA", "S9030000FC\n", ":02000004FFFFFC\n:01000000"],
)
def test_damaged_text_forms_are_told(bench: Bench, text: str) -> None:
    """Refused as a damaged form, or read as what it is; never a traceback."""
    path = bench.file("bad.hex", text)
    try:
        assert bench.json("rom", "inspect", path)["problems"]
    except ExternalError as error:
        assert "bad.hex" in str(error)


@pytest.mark.parametrize("data", [b"", b"\x55\xaa", b"x" * (5 << 20), b"\x55\xaa\x04\xcb" * 3, b"text\n" * 9])
def test_bad_files_are_inspected(bench: Bench, data: bytes) -> None:
    path = bench.file("bad.bin", data)
    shown = bench.json("rom", "inspect", path)
    assert shown["problems"] and shown["size"] == len(data)
    assert "problem:" in bench.run("rom", "inspect", path) and bench.code == 0
    bench.run("rom", "inspect", path, "--check")
    assert bench.code == 1


def test_hostile_text_in_an_image_is_shown_harmless(bench: Bench) -> None:
    rom = bytearray(option_rom(4))
    rom[0x18:0x1C] = b"\0\0\x40\0"
    rom[0x40:0x60] = (b"$PnP\x01\x02" + bytes(8) + b"\x80\0\x80\0").ljust(32, b"\0")
    rom[0x80:0x90] = b"\x1b]0;owned\x07\x9b31m\0"
    said = bench.run("rom", "inspect", bench.file("h.bin", bytes(rom)))
    assert "\\x1b" in said and "\x1b" not in said and "\x9b" not in said


def test_edits_write_new_files_only(bench: Bench) -> None:
    source = bench.file("in.bin", GOLDEN[:-1] + b"\0")
    out = bench.where / "out.bin"
    said = bench.run("rom", "seal", source, "--out", out)
    assert out.read_bytes() == GOLDEN and "001FF 00 -> 35" in said
    assert source.read_bytes() == GOLDEN[:-1] + b"\0"
    with pytest.raises(UsageError, match="--force"):
        bench.run("rom", "seal", source, "--out", out)
    bench.run("rom", "seal", source, "--out", out, "--force")
    with pytest.raises(UsageError, match="never changed in place"):
        bench.run("rom", "seal", source, "--out", source, "--force")
    link = bench.where / "link.bin"
    link.symlink_to(source)
    with pytest.raises(UsageError, match="never changed in place"):
        bench.run("rom", "pad", source, "--front", "2K", "--out", link, "--force")
    assert source.read_bytes() == GOLDEN[:-1] + b"\0"


def test_pad_fit_split_join(bench: Bench) -> None:
    rom = option_rom(16)
    source = bench.file("in.bin", rom)
    made = bench.json("rom", "pad", source, "--front", "16K", "--out", bench.where / "p.bin")["written"][0]
    assert made["size"] == 0x6000 and [c["what"] for c in made["changes"]] == ["added", "moved"]
    bench.run("rom", "fit", source, "--size", "32K", "--out", bench.where / "f.bin")
    assert (bench.where / "f.bin").read_bytes() == rom + b"\xff" * 0x6000
    bench.run("rom", "split", source, "--even", bench.where / "e.bin", "--odd", bench.where / "o.bin")
    joined = bench.where / "j.bin"
    bench.run("rom", "join", "--even", bench.where / "e.bin", "--odd", bench.where / "o.bin", "--out", joined)
    assert joined.read_bytes() == rom
    bench.run("rom", "join", source, bench.file("g.bin", GOLDEN), "--out", bench.where / "two.bin")
    bench.run("rom", "split", bench.where / "two.bin", "--images", bench.where / "cut.bin")
    assert (bench.where / "cut-1.bin").read_bytes() == rom
    assert (bench.where / "cut-2.bin").read_bytes() == GOLDEN
    for words in (
        ["split", source], ["split", source, "--even", "x"], ["join", "--out", "x"],
        ["pad", source, "--out", "x", "--front", "many"], ["pad", source, "--out", "x", "--fill", "100"],
        ["split", source, "--even", "x", "--odd", "x"], ["inspect", source, "--at", "zz"],
    ):  # fmt: skip
        with pytest.raises(UsageError):
            bench.run("rom", *words)
    with pytest.raises(ExternalError, match="cannot be read"):
        bench.run("rom", "inspect", bench.where / "missing.bin")
    with pytest.raises(ExternalError, match="cannot write"):
        bench.run("rom", "fit", source, "--size", "32K", "--out", bench.where / "no" / "dir.bin")


MAP = """\
[scan]
from = "C8000"
to = "DFFFF"
step = "2K"
[[window]]
name = "board ROM"
base = "C8000"
size = "8K"
kind = "rom"
image = "board.bin"
"""


def test_map_gives_the_contract_s_fields(bench: Bench) -> None:
    bench.file("board.bin", option_rom(16))
    path = bench.file("m.toml", MAP)
    shown = bench.json("map", path)
    assert shown["overlaps"] == []
    assert shown["free"] == [{"from": "CA000", "to": "DFFFF"}]
    first = shown["scan"][0]
    assert {
        "at": "C8000", "found": True, "party": "board ROM", "checksum_ok": True, "runs": True, "next": "CA000",
    }.items() <= first.items()  # fmt: skip
    assert set(first) >= {"note"}
    assert shown["scan"][1]["at"] == "CA000" and shown["scan"][1]["found"] is False
    assert len(shown["scan"]) == 1 + 44 and shown["scan"][-1]["at"] == "DF800"
    second = '[[window]]\nname = "card"\nbase = "C9000"\nsize = "8K"\nkind = "rom"\n'
    shown = bench.json("map", bench.file("m2.toml", MAP + second))
    assert shown["overlaps"] == [{"from": "C9000", "to": "C9FFF", "parties": ["board ROM", "card"]}]


def test_output_keeps_to_the_published_schemas(bench: Bench) -> None:
    """jsonschema (a library, draft 2020-12) accepts what the commands print by the schemas they publish."""
    sources = [
        bench.file("g.bin", GOLDEN), bench.file("none.bin", b""), bench.file("text.bin", "some text\n" * 99),
        Path("/usr/lib/ipxe/qemu/efi-e1000.rom"), Path("/usr/share/qemu/sgabios.bin"),
    ]  # fmt: skip
    form = published()["rom-inspect"].model_json_schema(mode="serialization", by_alias=True)
    for source in sources:
        jsonschema.validate(bench.json("rom", "inspect", source), form)
    bench.file("board.bin", option_rom(16))
    more = '[[window]]\nname = "c"\nbase = "C9000"\nsize = "8K"\nimage = "g.bin"\n'
    more += 'positions = ["D0000", "off"]\n'
    more += '[[window]]\nname = "m"\nbase = "C9800"\nsize = "4K"\nkind = "ram"\n'
    shown = bench.json("map", bench.file("m.toml", MAP + more), "--room", "8K")
    assert shown["moves"] and shown["room"] and shown["contention"]
    jsonschema.validate(shown, published()["map"].model_json_schema(mode="serialization", by_alias=True))
    for extra in ("moves", "room", "hidden", "disagreements", "usual"):
        del shown[extra]
    stored = published()["scan-prediction"].model_json_schema(mode="serialization", by_alias=True)
    jsonschema.validate(shown, stored)
    with pytest.raises(jsonschema.ValidationError, match="0xC8000"):
        jsonschema.validate(shown | {"free": [{"from": "0xC8000", "to": "C9FFF"}]}, stored)


def test_map_draws_and_finds_room(bench: Bench) -> None:
    bench.file("board.bin", option_rom(16))
    path = bench.file("m.toml", MAP + 'positions = ["C8000", "D0000"]\n')
    drawn = bench.where / "m.svg"
    said = bench.run("map", path, "--svg", drawn, "--room", "88K")
    assert drawn.read_text().startswith("<svg") and "an image of 88 KiB: CA000" in said
    assert "board ROM: C8000, D0000" in said  # its own positions, itself taken out
    with pytest.raises(UsageError, match="--force"):
        bench.run("map", path, "--svg", drawn)
    with pytest.raises(UsageError, match="never changed in place"):
        bench.run("map", path, "--svg", path, "--force")
    bench.run("map", path, "--check")
    assert bench.code == 0


def test_map_errors_name_file_line_and_key(bench: Bench) -> None:
    path = bench.file("m.toml", MAP)
    with pytest.raises(ExternalError, match=r"m\.toml:10: window\[1\]\.image: .*board\.bin"):
        bench.run("map", path)
    with pytest.raises(UsageError, match=r"m\.toml:7: window\[1\]\.base"):
        bench.run("map", bench.file("m.toml", MAP.replace('"C8000"\nsize', '"ZZ"\nsize')))
    with pytest.raises(UsageError, match="UTF-8"):
        bench.run("map", bench.file("m.toml", b"\xff\xfe[\x00"))
    with pytest.raises(ExternalError, match="cannot be read"):
        bench.run("map", bench.where)


def test_a_crowded_map_is_shown(bench: Bench) -> None:
    """64 windows with images, in text and JSON."""
    rng = random.Random(3)
    text = '[scan]\npreset = "pnp-1.0a"\n'
    for n in range(64):
        bench.file(f"r{n}.bin", option_rom(4, n + 1))
        base = rng.randrange(0xC0000, 0xE8000, 0x800)
        text += f'[[window]]\nname = "w{n}"\nbase = "{base:05X}"\nsize = "4K"\nimage = "r{n}.bin"\n'
    path = bench.file("m.toml", text)
    assert len({rom["window"] for rom in bench.json("map", path)["roms"]}) == 64
    assert "w63" in bench.run("map", path)


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.binary(max_size=1200))
def test_any_file_is_answered(bench: Bench, data: bytes) -> None:
    """Any bytes as image or as map file: an answer or one of our errors."""
    path = bench.file("any.bin", data)
    out = bench.where / "any.out"
    write = ["--out", out, "--force"]
    for words in (
        ["rom", "inspect", path, "--json"], ["rom", "inspect", path], ["rom", "seal", path, *write],
        ["rom", "pad", path, "--back", "1K", *write], ["rom", "join", path, *write],
        ["rom", "fit", path, "--size", "2K", *write], ["map", path],
    ):  # fmt: skip
        try:
            bench.run(*words)
        except BenchError as error:
            assert str(error)
