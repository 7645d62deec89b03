"""Images written as text: Intel HEX and S-record, read by bincopy."""

from __future__ import annotations

from benchd.rom.numbers import MEGABYTE

TEXT_LIMIT = 4 * MEGABYTE
"""Longest text form read: 1 MiB of image takes under 3 MiB of either form."""


def looks_like_text_form(data: bytes) -> str | None:
    """Return "Intel HEX" or "S-record" if `data` starts like one, else None."""
    head = data[:64].lstrip()
    if head[:1] == b":" and _hex_digits(head[1:9]):
        return "Intel HEX"
    if head[:1] == b"S" and head[1:2].isdigit() and _hex_digits(head[2:6]):
        return "S-record"
    return None


def _hex_digits(raw: bytes) -> bool:
    return len(raw) > 0 and all(byte in b"0123456789abcdefABCDEF" for byte in raw)


def from_text_form(data: bytes) -> tuple[bytes, list[str]]:
    """Return (image, notes) from Intel HEX or S-record text; other bytes come back unchanged.

    The image starts at the lowest address given; gaps are filled with FFh, as erased cells read. Raises
    ValueError, with the reason, for damaged records or an image larger than 1 MiB.
    """
    form = looks_like_text_form(data)
    if form is None:
        return data, []
    if len(data) > TEXT_LIMIT:
        raise ValueError(f"{form} text of {len(data):,} bytes is longer than the {TEXT_LIMIT:,} allowed")
    import bincopy

    text = data.decode("ascii", "replace")
    file = bincopy.BinFile()
    try:
        if form == "Intel HEX":
            file.add_ihex(text)
        else:
            file.add_srec(text)
        low, high = file.minimum_address, file.maximum_address
    except (bincopy.Error, ValueError, IndexError, TypeError) as error:
        raise ValueError(f"damaged {form} text: {error}") from None
    if low is None or high is None or high <= low:
        raise ValueError(f"the {form} text holds no data records")
    if high - low > MEGABYTE:
        raise ValueError(f"the {form} text spans {high - low:,} bytes, more than the {MEGABYTE:,} allowed")
    notes = [f"read as {form}: {high - low:,} bytes from address {low:X}h"]
    gaps = high - low - sum(len(segment.data) for segment in file.segments)
    if gaps:
        notes.append(f"{gaps:,} bytes that the records leave out were filled with FFh")
    return bytes(file.as_binary(minimum_address=low, padding=b"\xff")), notes
