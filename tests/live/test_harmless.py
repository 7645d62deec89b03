"""Nothing that came over a wire reaches a terminal as a control, a hidden or a direction character."""

from __future__ import annotations

import io
import json
import logging
import unicodedata
from contextlib import redirect_stdout

from hypothesis import example, given, settings
from hypothesis import strategies as st

from benchd.cli.output import clean, clean_lines, emit_json
from benchd.cli.serving import CleanFormatter

BIDI = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
"""Bidi_Control of the Unicode Character Database (PropList.txt)."""
CONTROLS = "".join(map(chr, [*range(0x20), *range(0x7F, 0xA0)]))
"""C0, DEL and C1 (ISO/IEC 6429): what a terminal may take for an order."""
ANY = st.text(st.characters() | st.sampled_from(BIDI + CONTROLS + "\u2028\u2029\ufeff\U000e0041\ud800"))


def harmless(text: str, but: str = "") -> bool:
    left = [ch for ch in text if ch not in but]
    return not any(ch in BIDI + CONTROLS or unicodedata.category(ch) in ("Cs", "Zl", "Zp") for ch in left)


@settings(deadline=None, max_examples=300)
@given(ANY, st.integers(1, 50))
@example("\x1b]0;title\x07\x9b2J\u202e", 50)
def test_clean(text: str, limit: int) -> None:
    """Cleaned text is harmless, bounded, and the same if it was harmless and short."""
    out = clean(text, limit)
    assert harmless(out)
    assert len(out) <= 8 * limit + 40
    if len(text) <= limit and all(unicodedata.category(ch)[0] not in "CZ" or ch == " " for ch in text):
        assert out == text


@settings(deadline=None, max_examples=200)
@given(st.recursive(ANY | st.none() | st.floats(allow_nan=False), lambda x: st.lists(x) | st.dictionaries(ANY, x)))
def test_json(value: object) -> None:
    """JSON on a terminal is as harmless, and still the same value (RFC 8259 section 7 allows any escape)."""
    out = io.StringIO()
    with redirect_stdout(out):
        emit_json(value)
    assert harmless(out.getvalue(), but="\n")
    assert json.loads(out.getvalue()) == value


@settings(deadline=None, max_examples=100)
@given(ANY)
def test_log_lines(text: str) -> None:
    """A log record that quotes the wire stays harmless, line ends aside."""
    record = logging.LogRecord("x", logging.INFO, "f", 1, "seen %s", (text,), None)
    assert harmless(CleanFormatter("%(message)s").format(record), but="\n")
    assert harmless(clean_lines(text), but="\n")
