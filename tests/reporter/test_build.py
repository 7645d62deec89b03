"""`benchd reporter build`: images that are what the assembler would make with the same options, and clear refusals."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from reporter.assembling import assemble
from typer.testing import CliRunner

from benchd.cli.main import build as application
from benchd.reporter.build import DISKS, SEAL_AT, build, least_rom
from benchd.reporter.options import WRAPPERS, Options, Window
from benchd.rom.image import inspect

SECTORS = {"360K": 720, "720K": 1440, "1.2M": 2400, "1.44M": 2880}


def said(*words: str) -> tuple[int, str]:
    done = CliRunner().invoke(application(), ["reporter", "build", *words])
    text = str(done.exception) if done.exception and not isinstance(done.exception, SystemExit) else done.output
    return getattr(done.exception, "exit_code", done.exit_code), text


@pytest.mark.peer("nasm")
def test_patched_is_assembled() -> None:
    """Over random options the image begins with what nasm makes of the source with those options."""
    rng = random.Random(5)
    for _ in range(12):
        wrapper = rng.choice(WRAPPERS)
        speed = rng.choice([300, 1200, 9600, 19200, 38400, 115200])
        first = rng.randrange(0xD0000, 0xE0000, 0x800)
        window = rng.choice([None, Window(first, first + rng.choice([0x7FF, 0x7FFF]))])
        options = Options(
            wrapper, uart=rng.choice([0x3F8, 0x2E8]), speed=speed, window=window, display=rng.random() < 0.5
        )
        defines: dict[str, int | str] = {"UART": options.uart, "DIVISOR": 115200 // speed, "SPEED": str(speed)}
        if window is not None:
            defines |= {"WINDOW_SEGMENT": first >> 4, "WINDOW_CHUNKS": (window.last + 1 - first) // 128}
        whole = assemble(wrapper, tuple({**defines, "DISPLAY": int(options.display)}.items()))
        image = bytearray(build(options)[: len(whole)])
        if wrapper == "rom":
            image[2], image[SEAL_AT] = 0, 0
        assert image == whole, options


@pytest.mark.parametrize("size", ["4K", "8K", "16K", "32K", "64K"])
def test_rom(tmp_path: Path, size: str) -> None:
    """Length byte, sum 0, FFh behind the program; benchd's own look at an image finds nothing wrong."""
    code, text = said("--as", "rom", "--size", size, "--out", str(tmp_path / "r"))
    assert code == 0, text
    image = (tmp_path / "r").read_bytes()
    assert len(image) == int(size[:-1]) * 1024 and image[2] == len(image) // 512 and sum(image) % 256 == 0
    assert set(image[4096:]) <= {0xFF} and least_rom() == 4096
    assert inspect(image).problems == () and inspect(image).pnp is None and inspect(image).pcir is None


def test_a_base_that_is_scanned_early(tmp_path: Path) -> None:
    code, text = said("--as", "rom", "--base", "C4000", "--out", str(tmp_path / "r"))
    assert code == 0 and "before they know their memory" in text
    code, text = said("--as", "rom", "--base", "C8000", "--out", str(tmp_path / "s"))
    assert code == 0 and "note:" not in text


@pytest.mark.parametrize("disk", DISKS)
def test_floppy(tmp_path: Path, disk: str) -> None:
    """The exact size, and a file system that its parameters describe: FAT12 by cluster count, FATs long enough.

    Layout of the fields and the count of clusters: ECMA-107, 11.1 and 10.3.
    """
    code, text = said("--as", "floppy", "--disk", disk, "--out", str(tmp_path / "f"))
    assert code == 0, text
    image = (tmp_path / "f").read_bytes()
    assert len(image) == SECTORS[disk] * 512 and image[510:512] == b"\x55\xaa" and image[0] == 0xEB and image[2] == 0x90

    def word(at: int) -> int:
        return int.from_bytes(image[at : at + 2], "little")

    reserved, fats, entries, sectors, media, fat = (
        word(0x0E),
        image[0x10],
        word(0x11),
        word(0x13),
        image[0x15],
        word(0x16),
    )
    assert (word(0x0B), sectors, fats, word(0x1A)) == (512, SECTORS[disk], 2, 2)
    assert word(0x18) in (9, 15, 18) and sectors % (word(0x18) * 2) == 0
    clusters = (sectors - reserved - fats * fat - entries * 32 // 512) // image[0x0D]
    assert clusters < 4085 and (clusters + 2) * 12 <= fat * 512 * 8
    for number in range(2):
        assert image[(reserved + number * fat) * 512 :][:4] == bytes([media, 0xFF, 0xFF, 0])
    assert set(image[(reserved + 2 * fat) * 512 :]) == {0}


def test_com(tmp_path: Path) -> None:
    """It fits in the segment with room for its work, and begins with a jump."""
    code, text = said("--as", "com", "--out", str(tmp_path / "r.com"))
    assert code == 0 and (tmp_path / "r.com").read_bytes()[0] == 0xE9
    assert text.endswith("4,096 bytes, reports at 9600 bit/s over the UART at 3F8\n")


def test_a_test_brings_a_caution(tmp_path: Path) -> None:
    for words in (["--test-window", "D0000-D7FFF"], ["--test-display"]):
        code, text = said("--as", "com", *words, "--out", str(tmp_path / words[0]))
        assert code == 0 and "caution: it writes to the memory it tests; another device there may be disturbed" in text


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("--as tape", "--as: 'tape' is not one of rom, floppy, com"),
        ("--as rom --speed 10000", "gives 9600 or 10472"),
        ("--as rom --speed 110", "use 300 to 115200"),
        ("--as rom --speed 230400", "use 300 to 115200"),
        ("--as rom --base C8400", "the step below is C8000"),
        ("--as rom --base F0000", "a scan looks from C0000 to EFFFF only"),
        ("--as rom --base C800", "may be a segment"),
        ("--as rom --base EF000", "take a lower base or a smaller size"),
        ("--as rom --size 2K", "the program needs 4 KiB"),
        ("--as rom --size 5000", "multiple of 2 KiB"),
        ("--as rom --size 128K", "ends at 126 KiB"),
        ("--as rom --uart 3F9", "in steps of 8"),
        ("--as rom --uart COM1", "write 3F8, 2F8, 3E8 or 2E8"),
        ("--as rom --disk 360K", "--disk is for --as floppy"),
        ("--as com --base C8000", "--base is for --as rom"),
        ("--as floppy --size 8K", "--size is for --as rom"),
        ("--as floppy --disk 2.88M", "'2.88M' is not one of 360K, 720K, 1.2M, 1.44M"),
        ("--as com --test-window D0000", "write D0000-D7FFF"),
        ("--as com --test-window D7FFF-D0000", "it ends before it begins"),
        ("--as com --test-window 90000-97FFF", "only A0000 to EFFFF"),
        ("--as com --test-window E8000-F7FFF", "only A0000 to EFFFF"),
        ("--as com --test-window D0000-D0400", "begin and end on 2 KiB steps"),
        ("--as rom --test-window C8000-CFFFF", "covers the rom itself, C8000-C9FFF"),
        ("--as rom --base D0000 --test-window C8000-D07FF", "covers the rom itself, D0000-D1FFF"),
    ],
)
def test_refusals(tmp_path: Path, words: str, says: str) -> None:
    """Each wrong option is named with what to do; nothing is written."""
    code, text = said(*words.split(), "--out", str(tmp_path / "x"))
    assert code == 2 and says in text, text
    assert not (tmp_path / "x").exists()


def test_an_existing_file_is_kept(tmp_path: Path) -> None:
    (tmp_path / "x").write_bytes(b"mine")
    code, text = said("--as", "com", "--out", str(tmp_path / "x"))
    assert code == 2 and "--force" in text and (tmp_path / "x").read_bytes() == b"mine"
    assert said("--as", "com", "--out", str(tmp_path / "x"), "--force")[0] == 0
    assert said("--as", "com", "--out", str(tmp_path / "none/x"))[0] == 1
