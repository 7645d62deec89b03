"""Post framings without frames: "raw" (a byte is a code) and "hex" (text, two or four hex digits a code).

Hex grammar, bytes in ASCII, either case:

    stream = { separator | token }           separator: space, tab, CR, LF, comma, semicolon
    token  = [ port (":" | "=") ] code       port: 2 to 4 digits; code: 2 digits (a byte) or 4 (16-bit write)

Each number may carry the trade's marks: "0x" before or "h" after. A token counts at its separator, or after a
silence, because the last code before a hang must not wait for the next one.
"""

from __future__ import annotations

from itertools import count

from benchd.decode.arrival import Spread
from benchd.decode.link import Framing, Outlet
from benchd.vocabulary.observations import Code

SEPARATORS = frozenset(b" \t\r\n,;")
HEX_DIGITS = frozenset(b"0123456789abcdefABCDEF")
TOKEN_CHARS = HEX_DIGITS | frozenset(b":=xXhH")
TOKEN_LIMIT = 16
SILENCE_NS = 100_000_000
SILENCE_BYTES = 20
"""A token stands alone after 0.1 s or 20 byte times, whichever is longer: longer than any latency timer."""


class Raw(Framing):
    """A byte is a code."""

    def run(self, data: bytes, start: int, spread: Spread) -> int:
        outlet = self._outlet
        link, port, rest = outlet.link, outlet.info.code_port, data[start:] if start else data
        outlet.counts.take(len(rest))
        if spread.even:
            times, u_ns = count(spread.at(start), spread.step_ns), spread.u_ns
            outlet.emit_all([Code(link, t_ns, u_ns, value, port) for t_ns, value in zip(times, rest, strict=False)])
        else:
            at, u = spread.at, spread.u
            outlet.emit_all([Code(link, at(place), u(place), value, port) for place, value in enumerate(rest, start)])
        return len(rest)

    def byte(self, value: int, t_ns: int, u_ns: int) -> None:
        outlet = self._outlet
        counts = outlet.counts
        counts.pending -= 1
        counts.decoded += 1
        outlet.emit(Code(outlet.link, t_ns, u_ns, value, outlet.info.code_port))


def read_hex(text: str) -> tuple[int, int] | None:
    """Return (value, digits) of a hex number with optional "0x" or "h", or None."""
    if text[:2] in ("0x", "0X"):
        text = text[2:]
    elif text[-1:] in ("h", "H"):
        text = text[:-1]
    if not text or any(ord(ch) not in HEX_DIGITS for ch in text):
        return None
    return int(text, 16), len(text)


def read_token(text: str) -> tuple[int | None, int, bool] | str:
    """Return (port, value, wide) of one token, or the name of the reason why it is none."""
    head, mark, tail = text.partition(":" if ":" in text else "=")
    port = None
    if mark:
        number = read_hex(head)
        if number is None or not 2 <= number[1] <= 4:
            return "bad-port"
        port = number[0]
    number = read_hex(tail if mark else head)
    if number is None:
        return "not-hex"
    value, digits = number
    if digits in (2, 4):
        return port, value, digits == 4
    return "half-code" if digits < 4 else "too-long"


class HexText(Framing):
    """Hex digits as text; refusals are named not-hex, half-code, bad-port, too-long, nul."""

    SILENCE_NS, SILENCE_BYTES = SILENCE_NS, SILENCE_BYTES

    def __init__(self, outlet: Outlet) -> None:
        super().__init__(outlet)
        self._token = bytearray()
        self._excess = 0
        self._t_ns = self._u_ns = 0

    def byte(self, value: int, t_ns: int, u_ns: int) -> None:
        if value in SEPARATORS:
            self._end()
            self._outlet.counts.settle()
            return
        if value == 0:
            self._outlet.counts.refuse("nul")
            return
        if not self._token:
            self._t_ns, self._u_ns = t_ns, u_ns
        if len(self._token) < TOKEN_LIMIT:
            self._token.append(value)
        else:
            self._excess += 1
            self._outlet.counts.refuse("too-long")
        self.deadline = t_ns + self.silence_ns

    def fire(self, t_ns: int) -> None:
        self._end()

    def drop(self, reason: str, t_ns: int, u_ns: int) -> None:
        self._end(reason)

    def _end(self, half: str | None = None) -> None:
        """Judge the token; `half` names why a half code was cut short, if something cut it."""
        self.deadline = None
        size = len(self._token)
        if not size:
            return
        outlet = self._outlet
        result: tuple[int | None, int, bool] | str
        if self._excess:
            result = "too-long"
        elif any(ch not in TOKEN_CHARS for ch in self._token):
            result = "not-hex"
        else:
            result = read_token(self._token.decode("ascii"))
        if isinstance(result, str):
            reason = half if half and result == "half-code" else result
            outlet.counts.refuse(reason, size)
            outlet.lost(reason, size + self._excess, self._t_ns, self._u_ns)
        else:
            port, value, wide = result
            outlet.counts.settle(size)
            port = outlet.info.code_port if port is None else port
            outlet.emit(Code(outlet.link, self._t_ns, self._u_ns, value, port, wide))
        self._token.clear()
        self._excess = 0
