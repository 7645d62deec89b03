"""The "pattern" framing: lines of text, and a regular expression (re2 syntax) that finds codes in them.

Named groups: `code` (1 to 4 hex digits; 3 and 4 make a 16-bit code), `port` (hex), `ticks` (decimal), `reset`
(anything; that it took part says reset). Marks "0x" and "h" are understood in `code` and `port`. A line may
hold several codes. Lines end at CR, LF or 00h; a line that already matches also counts after 0.1 s of silence.
re2 runs in time linear in the line, whatever the expression.
"""

from __future__ import annotations

import re2

from benchd.decode.cardclock import CardTimes
from benchd.decode.link import Framing, Outlet
from benchd.decode.plain import SILENCE_BYTES, SILENCE_NS, read_hex
from benchd.errors import UsageError
from benchd.vocabulary.observations import Code, Reset

LINE_LIMIT = 256
GROUPS = frozenset(("code", "port", "ticks", "reset"))
LINE_ENDS = frozenset(b"\r\n\0")
TICK_DIGITS = 20


def compile_pattern(link: str, pattern: str | None) -> re2._Regexp:
    """Return the compiled pattern of `link`. Raises UsageError that says what is wrong with it."""
    where = f"link {link}: pattern"
    if not pattern:
        raise UsageError(f'{where} is missing: framing "pattern" needs one with a group (?P<code>...)')
    options = re2.Options()
    options.log_errors = False
    options.encoding = re2.Options.Encoding.LATIN1
    options.max_mem = 8 << 20
    try:
        compiled = re2.compile(pattern.encode("latin-1"), options)
    except UnicodeEncodeError as error:
        raise UsageError(f"{where} {pattern!r} is not Latin-1 at {error.start}: remove that character") from None
    except re2.error as error:
        text = error.args[0] if error.args else ""
        text = text.decode("latin-1") if isinstance(text, bytes) else str(text)
        raise UsageError(f"{where} {pattern!r} is no re2 expression: {text}") from None
    names = {name.decode() if isinstance(name, bytes) else name for name in compiled.groupindex}
    if names - GROUPS:
        raise UsageError(f"{where} has unknown groups {sorted(names - GROUPS)}: use {sorted(GROUPS)}")
    if not names & {"code", "reset"}:
        raise UsageError(f"{where} {pattern!r} has neither a group (?P<code>...) nor (?P<reset>...)")
    return compiled


class Pattern(Framing):
    """Finds codes in lines; refusals are named no-match, bad-value, line-too-long."""

    SILENCE_NS, SILENCE_BYTES = SILENCE_NS, SILENCE_BYTES

    def __init__(self, outlet: Outlet) -> None:
        super().__init__(outlet)
        info = outlet.info
        self._regexp = compile_pattern(info.name, info.pattern)
        names = self._regexp.groupindex
        self._groups = {(name.decode() if isinstance(name, bytes) else name): index for name, index in names.items()}
        self._times = CardTimes(info.tick_s, None)
        self._line = bytearray()
        self._stamps: list[tuple[int, int]] = []
        self._excess = 0

    def byte(self, value: int, t_ns: int, u_ns: int) -> None:
        if value in LINE_ENDS:
            self._end("no-match")
            self._outlet.counts.settle()
            return
        if len(self._line) < LINE_LIMIT:
            self._line.append(value)
            self._stamps.append((t_ns, u_ns))
        else:
            self._excess += 1
            self._outlet.counts.refuse("line-too-long")
        self.deadline = t_ns + self.silence_ns

    def fire(self, t_ns: int) -> None:
        self.deadline = None
        if not self._excess and self._regexp.search(bytes(self._line)):
            self._end("no-match")

    def drop(self, reason: str, t_ns: int, u_ns: int) -> None:
        self._end(reason)

    def _end(self, unmatched: str) -> None:
        """Judge the line; `unmatched` names the refusal when nothing in it matches."""
        self.deadline = None
        size = len(self._line)
        if not size:
            return
        outlet = self._outlet
        if self._excess:
            outlet.counts.refuse("line-too-long", size)
            outlet.lost("line-too-long", size + self._excess, *self._stamps[0])
        elif not self._line.strip():
            outlet.counts.settle(size)
        else:
            self._search(bytes(self._line), size, unmatched)
        self._line.clear()
        self._stamps.clear()
        self._excess = 0

    def _search(self, line: bytes, size: int, unmatched: str) -> None:
        outlet = self._outlet
        found = good = False
        for match in self._regexp.finditer(line):
            if match.end() == match.start():
                continue
            found = True
            group = {name: match.group(index) for name, index in self._groups.items()}
            good |= self._seen(group, *self._stamps[match.start()])
        if good:
            outlet.counts.settle(size)
        else:
            outlet.refuse("bad-value" if found else unmatched, size, *self._stamps[0])

    def _seen(self, group: dict[str, bytes | None], t_ns: int, u_ns: int) -> bool:
        """Say what one match tells; return whether it told anything."""
        outlet = self._outlet
        code = self._number(group.get("code"))
        port = self._number(group.get("port"))
        ticks = group.get("ticks")
        wrong = (
            (group.get("code") is not None and code is None)
            or (group.get("port") is not None and port is None)
            or (ticks is not None and not (ticks.isdigit() and len(ticks) <= TICK_DIGITS))
        )
        reset = group.get("reset") is not None
        if wrong or (code is None and not reset):
            return False
        if ticks is not None:
            x, restarted = self._times.read(int(ticks), t_ns)
            reset |= restarted
            [(t_ns, u_ns)] = self._times.place([x], t_ns, u_ns)
        if reset:
            outlet.emit(Reset(outlet.link, t_ns, u_ns))
        if code is not None:
            value, digits = code
            number = outlet.info.code_port if port is None else port[0]
            outlet.emit(Code(outlet.link, t_ns, u_ns, value, number, digits > 2))
        return True

    @staticmethod
    def _number(text: bytes | None) -> tuple[int, int] | None:
        number = None if text is None else read_hex(text.decode("latin-1"))
        return number if number and number[1] <= 4 else None
