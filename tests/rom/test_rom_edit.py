"""Edits of images: bytes kept, sums mended only in unused places, and refusals with reasons."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.option_roms import GOLDEN, balance, option_rom

from benchd.errors import UsageError
from benchd.rom import edit
from benchd.rom.image import inspect

ROM = option_rom(16)


def test_front_pad_of_16k_puts_the_header_at_cc00() -> None:
    """Trade fact (common practice, no source): 16 KiB of FFh in front at C800h puts the header at CC00h."""
    made = edit.pad(ROM, front=0x4000)
    assert made.data == b"\xff" * 0x4000 + ROM
    assert 0xC8000 + inspect(made.data).image_list[0].at == 0xCC000
    assert "CC000" in made.notes[0]


def test_pad_warns_of_an_odd_slot_and_of_zeros() -> None:
    notes = " ".join(edit.pad(ROM, front=0x400, fill=0).notes)
    assert "no multiple of 2 KiB" in notes and "pulls bus lines low" in notes


def test_seal_mends_the_golden_rom() -> None:
    """Golden value: 35h (arithmetic). The zeros in front of the last byte are padding."""
    broken = GOLDEN[:-1] + b"\0"
    made = edit.seal(broken)
    assert made.data == GOLDEN
    assert [(c.offset, c.count) for c in made.changes] == [(511, 1)]
    assert made.changes[0].text == "001FF 00 -> 35 (sum CB -> 00)"


def test_seal_leaves_a_good_image_alone() -> None:
    made = edit.seal(GOLDEN)
    assert made.data == GOLDEN and made.changes == () and "nothing to mend" in made.notes[0]


def full_rom() -> bytes:
    """A ROM of 4 blocks without any padding, with a wrong sum."""
    data = bytearray(b"\x55\xaa\x04\xcb" + bytes(n % 251 + 1 for n in range(2044)))
    data[0x18:0x1C] = bytes(4)
    return bytes(data)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "empty"),
        (b"no header at all", "no header"),
        (b"\x55\xaa\x00\xcb" + bytes(508), "length byte is 00h"),
        (b"\x55\xaa\x04\xcb" + bytes(508), "pad it by 1,536 bytes"),
        (full_rom(), "may be code or data"),
        (full_rom()[:-4] + b"\xff" * 4, "only 4 equal bytes"),
        (b"\x55\xaa\x01\x00" + b"\xf1\x0e\x00\x00" + bytes(504), "EFI"),
    ],
)
def test_seal_refuses_with_a_reason(data: bytes, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        edit.seal(data)


def test_seal_names_another_place_and_takes_it() -> None:
    """Padding in the middle: refused at the end, with the offset that would do; accepted when named."""
    data = bytearray(full_rom())
    data[0x200:0x240] = b"\xff" * 64
    with pytest.raises(UsageError, match="Offset 23Fh is in padding: name it by --byte 23F"):
        edit.seal(bytes(data))
    made = edit.seal(bytes(data), byte=0x23F)
    assert sum(made.data) % 256 == 0
    with pytest.raises(UsageError, match="may be code or data"):
        edit.seal(bytes(data), byte=0x300)
    with pytest.raises(UsageError, match="outside the summed bytes"):
        edit.seal(bytes(data), byte=0x800)
    with pytest.raises(UsageError, match="the header"):
        edit.seal(bytes(data), byte=0x10)


def test_seal_does_not_write_into_a_structure_full_of_zeros() -> None:
    """The fields 12h-1Fh of a $PnP header may all be 00h: they look like padding and are not."""
    data = bytearray(full_rom())
    data[0x1A:0x1C] = (0x7E0).to_bytes(2, "little")
    data[0x7E0:0x800] = (b"$PnP\x01\x02" + bytes(26))[:32]
    with pytest.raises(UsageError, match=r"belongs to \$PnP"):
        edit.seal(bytes(data))


def test_an_old_sum_byte_is_replaced_only_on_request() -> None:
    data = bytearray(option_rom(4, filled=0.3))
    data[0x40] ^= 0x5A
    assert data[-1] not in (0, 255)
    with pytest.raises(UsageError, match="old sum byte"):
        edit.seal(bytes(data))
    assert sum(edit.seal(bytes(data), replace_last=True).data) % 256 == 0
    with pytest.raises(UsageError, match="may be code or data"):
        edit.seal(full_rom(), replace_last=True)


@settings(deadline=None, max_examples=150)
@given(st.binary(max_size=1500), st.integers(0, 255), st.integers(0, 600), st.booleans())
def test_seal_changes_at_most_one_padding_byte(tail: bytes, fill: int, run: int, replace: bool) -> None:
    """Whatever the bytes: refused, or one byte changed, that byte unused before, and the sum right after."""
    body = (b"\x55\xaa\x04\xcb" + tail)[: 2048 - run].ljust(2048 - run, b"\x11") + bytes([fill]) * run
    try:
        made = edit.seal(body, replace_last=replace)
    except UsageError as error:
        assert len(str(error)) > 20
        return
    assert sum(made.data) % 256 == 0
    changed = [n for n, (a, b) in enumerate(zip(body, made.data, strict=True)) if a != b]
    assert len(changed) == len(made.changes) <= 1
    if changed and not replace:
        assert body[changed[0]] in (0x00, 0xFF) and body[changed[0] - 1] == body[changed[0]]


def test_fit_pads_or_mirrors() -> None:
    assert edit.fit(ROM, 0x8000).data == ROM + b"\xff" * 0x6000
    mirrored = edit.fit(ROM, 0x8000, mirror=True)
    assert mirrored.data == ROM * 4 and "4 times" in mirrored.notes[0]
    odd = ROM + b"\x12" * 0x400
    assert edit.fit(odd, 0x8000, mirror=True).data == (odd + b"\xff" * 0x1C00) * 2
    assert edit.fit(ROM, len(ROM)).data == ROM


@pytest.mark.parametrize(("size", "words"), [(0x1000, "does not fit"), (0x6000, "power of two"), (0, "power of two")])
def test_fit_refuses(size: int, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        edit.fit(ROM, size)


@settings(deadline=None, max_examples=100)
@given(st.binary(min_size=2, max_size=400).filter(lambda raw: len(raw) % 2 == 0))
def test_halves_join_to_the_whole(data: bytes) -> None:
    even, odd = edit.split_pairs(data)
    assert even.data == data[::2] and odd.data == data[1::2]
    assert edit.join_pairs(even.data, odd.data).data == data


def test_halves_that_do_not_fit() -> None:
    with pytest.raises(UsageError, match="odd number"):
        edit.split_pairs(b"abc")
    with pytest.raises(UsageError, match="differ in length"):
        edit.join_pairs(b"ab", b"abc")
    even, odd = edit.split_pairs(ROM)
    assert "swapped" in edit.join_pairs(odd.data, even.data).notes[0]


def test_images_join_on_slots_and_split_again() -> None:
    """Each image starts on the next 2 KiB slot behind the one before, where the scan goes on."""
    parts = [option_rom(5, 1), GOLDEN, option_rom(16, 2)]
    chip = edit.join_images(parts)
    assert [image.at for image in inspect(chip.data).image_list] == [0, 0x1000, 0x1800]
    assert [one.data for one in edit.split_images(chip.data)] == parts
    with pytest.raises(UsageError, match="does not start with 55h AAh"):
        edit.join_images([GOLDEN, b"\0" * 512])
    with pytest.raises(UsageError, match="declares 8,192 bytes"):
        edit.join_images([ROM[:4096], GOLDEN])
    assert "seal it" in edit.join_images([GOLDEN[:-1] + b"\0"]).notes[0]


@settings(deadline=None, max_examples=150)
@given(st.binary(max_size=600), st.integers(-5, 5000), st.integers(-5, 5000), st.integers(0, 1 << 23))
def test_no_edit_breaks_on_any_bytes(data: bytes, front: int, back: int, size: int) -> None:
    """Every edit gives bytes or a UsageError."""
    for work in (
        lambda: edit.pad(data, front, back),
        lambda: edit.seal(data, abs(front), None if back < 0 else back),
        lambda: edit.fit(data, size, mirror=back % 2 == 0),
        lambda: edit.split_pairs(data),
        lambda: edit.split_images(data),
        lambda: edit.join_images([data, balance(b"\x55\xaa\x01\xcb" + bytes(508))]),
    ):
        try:
            work()
        except UsageError as error:
            assert str(error)
