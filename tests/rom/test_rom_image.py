"""`inspect`: golden values, edge cases of the length byte, broken structures, and no traceback on any bytes.

Sources beside the checks: Plug and Play BIOS Specification 1.0A (PnP-1.0A), SeaBIOS src/optionroms.c,
Bochs bios/rombios.c (edge cases), arithmetic.
"""

from __future__ import annotations

import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.option_roms import GOLDEN, balance, option_rom

from benchd.rom.image import SIZE_LIMIT, inspect, strings
from benchd.rom.structs import CHAIN_LIMIT


def problems(data: bytes) -> str:
    return " / ".join(inspect(data).problems)


def test_golden_rom() -> None:
    """The 512-byte golden ROM: 35h as last byte makes the sum 00h; CBh (RETF) at the entry is no jump."""
    shown = inspect(GOLDEN).to_json()
    assert shown["size"] == shown["length_bytes"] == 512
    assert shown["signature_ok"] is True and shown["checksum"] == 0 and shown["checksum_ok"] is True
    assert shown["entry"] is None and shown["pnp"] is None and shown["pcir"] is None
    assert shown["images"] == 1 and shown["problems"] == []
    assert shown["disassembly"][0] == {"offset": 3, "bytes": "CB", "text": "retf"}


def test_bad_sum_names_the_byte_that_mends_it() -> None:
    """Golden ROM without its last byte: sum CBh, and 35h at 1FFh would mend it (arithmetic)."""
    shown = inspect(GOLDEN[:-1] + b"\0").to_json()
    assert shown["checksum"] == 0xCB and shown["checksum_ok"] is False
    assert "35h" in problems(GOLDEN[:-1] + b"\0") and "1FFh" in problems(GOLDEN[:-1] + b"\0")


@pytest.mark.parametrize(
    ("code", "target"),
    [
        (b"\xeb\x10", 0x15),  # jmp short: 3 + 2 + 10h
        (b"\xe9\x00\x01", 0x106),  # jmp near: 3 + 3 + 100h
        (b"\xe9\xfa\xff", 0x00),  # backwards, to the start
        (b"\xcb", None),
        (b"\xe8\x10\x00", None),  # a call is no jump
        (b"\xea\x05\x00\x00\xf0", None),  # far: leads to no offset of the image
    ],
)
def test_entry_jump_is_followed(code: bytes, target: int | None) -> None:
    """Targets by the rule of the 8086 family: displacement from the end of the instruction, 16 bits."""
    data = balance((b"\x55\xaa\x02" + code).ljust(1024, b"\x90"))
    assert inspect(data).to_json()["entry"] == target


def test_entry_outside_the_image_is_a_problem() -> None:
    data = balance((b"\x55\xaa\x01\xe9\x00\x40").ljust(512, b"\0"))
    assert "outside the 512" in problems(data)


@pytest.mark.parametrize("blocks", [0x00, 0x81, 0xFC, 0xFD, 0xFE, 0xFF])
def test_length_byte_edges(blocks: int) -> None:
    """00h is refused (SeaBIOS is_valid_rom); FDh-FFh never move on where rounding has eight bits (Bochs)."""
    data = option_rom(blocks, filled=0.01) if blocks else balance(b"\x55\xaa\x00\xcb" + bytes(0x10000 - 4))
    report = inspect(data)
    shown = report.to_json()
    assert shown["length_bytes"] == blocks * 512
    assert shown["checksum_ok"] is (blocks != 0)
    assert ("never moves on" in problems(data)) is (blocks >= 0xFD)
    assert ("00h" in problems(data)) is (blocks == 0 or blocks >= 0xFD)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "empty"),
        (b"\x55\xaa", "length byte"),
        (b"\x55", "too short"),
        (b"\x55\xaa\x04", "only 3 follow"),
        (b"Dear reader, this is not a ROM.\n" * 40, "text"),
        (b"\xaa\x55" + bytes(510), "swapped"),
        (b"\xff" * 2048, "blank"),
        (b"\x55\x08" + bytes(100), "half"),
        (GOLDEN + b"\0", "no multiple of 512"),
        (b"\x55\xaa\x10\xcb" + bytes(4092), "only 4,096 follow"),
        (option_rom(16) + bytes(5 << 20), f"{SIZE_LIMIT:,}"),
    ],
    ids=["empty", "2-byte", "1-byte", "3-byte", "text", "swapped", "blank", "half", "odd", "short", "5MB"],
)
def test_bad_files_give_a_clear_finding(data: bytes, words: str) -> None:
    assert words in problems(data)
    assert inspect(data).to_json()["size"] == len(data)


def with_pointers(pci: int, pnp: int, size: int = 1024) -> bytearray:
    data = bytearray(size)
    data[:6] = b"\x55\xaa" + bytes([size // 512]) + b"\xeb\x30\x90"
    struct.pack_into("<HH", data, 0x18, pci, pnp)
    return data


def pnp_header(next_at: int = 0, signature: bytes = b"$PnP", units: int = 2) -> bytes:
    raw = bytearray(units * 16)
    raw[:10] = signature + bytes([1, units]) + struct.pack("<H", next_at) + b"\0\0"
    raw[9] = -sum(raw) & 0xFF
    return bytes(raw)


@pytest.mark.parametrize(("pci", "pnp"), [(0xFFF0, 0), (0, 0xFFF0), (0x3F0, 0), (0, 0x3FC), (1023, 1023)])
def test_pointers_outside_the_image(pci: int, pnp: int) -> None:
    data = balance(bytes(with_pointers(pci, pnp)), last=0x100)
    report = inspect(data)
    assert report.to_json()["pcir"] is None and report.to_json()["pnp"] is None
    assert "outside" in problems(data)


def test_text_over_the_pointers_of_an_old_rom_is_no_problem() -> None:
    """Header fields 18h and 1Ah came with Plug and Play (1994); before that these bytes were the ROM's own."""
    data = with_pointers(0, 0)
    data[0x07:0x27] = b"ROM OF SOME EARLIER YEAR, 1986.."
    report = inspect(balance(bytes(data), last=0x200))
    assert report.problems == () and any("older than the pointers" in note for note in report.notes)


def test_expansion_chain_is_followed_and_a_loop_named() -> None:
    """PnP-1.0A App. A: a linked list in which any $xxx may come first; a list that bites its tail ends."""
    data = with_pointers(0, 0x40)
    data[0x40:0x60] = pnp_header(0x80, b"$abc")
    data[0x80:0xA0] = pnp_header(0)
    good = inspect(balance(bytes(data), last=0x200))
    assert [one.signature for one in good.image_list[0].expansions] == ["$abc", "$PnP"]
    assert good.to_json()["pnp"]["offset"] == 0x80 and good.to_json()["pnp"]["checksum_ok"] is True
    assert good.problems == ()
    data[0x80:0xA0] = pnp_header(0x40)
    assert "never ends" in problems(balance(bytes(data), last=0x200))
    data[0x40:0x60] = pnp_header(0x40)
    assert "never ends" in problems(balance(bytes(data), last=0x200))


def test_a_very_long_chain_is_cut() -> None:
    data = with_pointers(0, 0x40, 4096)
    for n in range(60):
        data[0x40 + n * 32 : 0x60 + n * 32] = pnp_header(0x60 + n * 32)
    assert f"more than {CHAIN_LIMIT}" in problems(balance(bytes(data), last=0xFFF))


def test_images_behind_the_first() -> None:
    """Joined images count where a scan finds them; 55h AAh by chance, with a bad sum, does not."""
    two = option_rom(4, 1) + option_rom(8, 2)
    assert [image.at for image in inspect(two).image_list] == [0, 0x800]
    chance = option_rom(4, 1) + b"\x55\xaa\x02" + bytes(2045)
    assert inspect(chance).to_json()["images"] == 1
    padded = b"\xff" * 0x4000 + option_rom(16)
    shown = inspect(padded).to_json()
    assert shown["signature_ok"] is False and shown["images"] == 1 and "4000h" in shown["problems"][0]
    assert inspect(padded, 0x4000).to_json()["checksum_ok"] is True


def test_strings_are_bounded() -> None:
    found = strings(b"\0".join(b"WORD" * 30 for _ in range(100)))
    assert len(found) == 40 and all(len(text) <= 80 for _, text in found)
    assert strings(b"\x01ROM READY\x00abc\x00!!!!!!!!") == [(1, "ROM READY")]


def test_strings_are_words() -> None:
    """Pushes, pops and tables of code are no text; messages are, the most word-like kept, in file order."""
    noise = (b"PSQRVWU", b"^_]ZY[X", b"fPfQfRfS", b"tGtGtGtG", b"AAAAAAAAA", b"u@8D$t<", b"BCDFGHJK", b"LALALALA")
    assert strings(b"\0".join(noise)) == []
    said = (b"Hard disk BIOS", b"Press F2 to enter setup", b"READY.", b"drive not ready")
    assert [text.encode() for _, text in strings(b"\0".join((*noise, *said, *noise)))] == list(said)
    many = b"\0".join([b"needle in a haystack of words", *[b"Filler"] * 50, b"and the last line of them"])
    found = [text for _, text in strings(many)]
    assert found[0].startswith("needle") and found[-1].startswith("and the last") and len(found) == 40


def test_the_listing_ends_at_a_return() -> None:
    """What stands behind RETF (CBh; Intel 8086 opcode map) is not run, so not listed."""
    data = bytearray(option_rom(4))
    data[3:8] = b"\x90\xcb\x90\x90\x90"
    entry = inspect(bytes(data)).image_list[0].entry
    assert entry is not None and [ins.text for ins in entry.listing] == ["nop", "retf"]


@settings(deadline=None, max_examples=300)
@given(st.binary(max_size=3000), st.integers(0, 4000))
def test_any_bytes_give_a_report(data: bytes, at: int) -> None:
    """No bytes raise; every shown number is sane; a report without problems is one of a good image."""
    report = inspect(data, at)
    shown = report.to_json()
    assert report.problems or shown["checksum_ok"]
    assert shown["size"] == len(data) and len(shown["strings"]) <= 40


@settings(deadline=None, max_examples=300)
@given(st.data())
def test_any_damage_gives_a_report(data: st.DataObject) -> None:
    """Good structures with bytes changed anywhere: still a report."""
    rom = with_pointers(0x40, 0x60, 2048)
    rom[0x40:0x58] = b"PCIR" + bytes(6) + b"\x18\x00" + bytes(4) + b"\x04\x00" + bytes(4) + b"\x80\x00\x00\x00"
    rom[0x60:0x80] = pnp_header(0x80)
    rom[0x80:0xA0] = pnp_header(0)
    for _ in range(data.draw(st.integers(1, 12))):
        rom[data.draw(st.integers(0, 0xA0))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(0, 2048))
    report = inspect(bytes(rom[:cut]))
    report.to_json()
    assert isinstance(report.verdict, str)


def test_efi_image_is_told_from_x86() -> None:
    """EDK2 EfiPci.h: offset 2 is a WORD, offset 4 holds 0EF1h; a legacy length byte must not be read."""
    data = b"\x55\xaa\x03\x01" + struct.pack("<I", 0x0EF1) + bytes(0x103 * 512 - 8)
    shown = inspect(data).to_json()
    assert shown["kind"] == "EFI" and shown["length_bytes"] == 0x103 * 512 and shown["entry"] is None
    assert "EFI" in shown["verdict"]
