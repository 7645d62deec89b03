"""One line of a console as its reader sees it: cells that are written, rewritten and wiped, each with its time.

A cell that is overwritten by the same character keeps its first time: "Memory 000640K" counted in place has
shown "Memory " since the first pass.
"""

from __future__ import annotations

from dataclasses import dataclass

LINE_LIMIT = 1000
TAB = 8


@dataclass(frozen=True, slots=True)
class LineShown:
    """What a line shows: text without trailing blanks, and each character's arrival in ns."""

    text: str
    times: tuple[int, ...]

    def marks(self, char_ns: int, leeway_ns: int) -> tuple[tuple[int, int], ...]:
        """Return (index, arrival) where a run of characters begins; within a run they follow by `char_ns`."""
        marks: list[tuple[int, int]] = []
        for index, at in enumerate(self.times):
            if not marks or abs(marks[-1][1] + (index - marks[-1][0]) * char_ns - at) > leeway_ns:
                marks.append((index, at))
        return tuple(marks)


class ScreenLine:
    """The cells. `erased` is what the line showed before blanks overwrote it, until text comes again."""

    def __init__(self) -> None:
        self.clear()

    def clear(self, column: int = 0) -> None:
        """Begin an empty line with the cursor at `column`."""
        self._cells: list[str] = []
        self._times: list[int] = []
        self._visible = 0
        self.column = column
        self.erased: LineShown | None = None

    @property
    def blank(self) -> bool:
        return self._visible == 0

    @property
    def full(self) -> bool:
        return self.column >= LINE_LIMIT

    def shown(self) -> LineShown:
        text = "".join(self._cells).rstrip()
        return LineShown(text, tuple(self._times[: len(text)]))

    def put(self, char: str, t_ns: int) -> bool:
        """Write `char` at the cursor (which is not `full`); return whether anything visible changed."""
        changed = self._set(self.column, char, t_ns)
        self.column += 1
        return changed

    def move(self, column: int) -> None:
        """Put the cursor at `column`, kept within the line."""
        self.column = min(max(column, 0), LINE_LIMIT - 1)

    def tab(self, t_ns: int) -> None:
        self.move((self.column // TAB + 1) * TAB)
        self._fill(self.column, t_ns)

    def wipe(self, first: int, last: int, t_ns: int) -> bool:
        """Blank the cells from `first` up to `last` (exclusive); return whether anything visible changed."""
        changed = False
        for column in range(max(first, 0), min(last, len(self._cells))):
            changed |= self._set(column, " ", t_ns)
        return changed

    def _fill(self, size: int, t_ns: int) -> None:
        missing = size - len(self._cells)
        if missing > 0:
            self._cells.extend(" " * missing)
            self._times.extend([t_ns] * missing)

    def _set(self, column: int, char: str, t_ns: int) -> bool:
        self._fill(column, t_ns)
        visible = not char.isspace()
        if column == len(self._cells):
            self._cells.append(char)
            self._times.append(t_ns)
            was_visible = False
        else:
            before = self._cells[column]
            was_visible = not before.isspace()
            if before == char:
                if visible:
                    self.erased = None
                return False
            if not visible and self.erased is None:
                self.erased = self.shown()
            self._visible -= was_visible
            self._cells[column] = char
            self._times[column] = t_ns
        if visible:
            self._visible += 1
            self.erased = None
        return visible or was_visible
