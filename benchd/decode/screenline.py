"""One line of a console as its reader sees it: cells that are written, rewritten and wiped, each with its time.

A cell that is overwritten by the same character keeps its first time: "Memory 000640K" counted in place has
shown "Memory " since the first pass.

A line that was only ever added to is kept as it came, in runs; it becomes cells when something else happens to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import repeat

from benchd.decode.arrival import Run
from benchd.decode.charset import LINE_LIMIT

TAB = 8


def marks_of(runs: Sequence[Run], size: int, char_ns: int, leeway_ns: int) -> tuple[tuple[int, int], ...]:
    """Return (index, arrival) where characters begin that follow each other by `char_ns`, of the first `size`."""
    marks: list[tuple[int, int]] = []
    for number, (index, t_ns, step_ns) in enumerate(runs):
        if index >= size:
            break
        if step_ns == char_ns:  # at the pace that is expected, all of a run is as far off as its first character
            if not marks or abs(marks[-1][1] + (index - marks[-1][0]) * char_ns - t_ns) > leeway_ns:
                marks.append((index, t_ns))
            continue
        end = min(size, runs[number + 1][0]) if number + 1 < len(runs) else size
        for place in range(index, end):
            at_ns = t_ns + (place - index) * step_ns
            if not marks or abs(marks[-1][1] + (place - marks[-1][0]) * char_ns - at_ns) > leeway_ns:
                marks.append((place, at_ns))
    return tuple(marks)


@dataclass(frozen=True, slots=True)
class LineShown:
    """What a line shows: text without trailing blanks, and when its characters arrived."""

    text: str
    runs: tuple[Run, ...]

    @property
    def first_ns(self) -> int:
        """The first character's arrival; there must be one."""
        return self.runs[0][1]

    def marks(self, char_ns: int, leeway_ns: int) -> tuple[tuple[int, int], ...]:
        """Return (index, arrival) where a run of characters begins; within a run they follow by `char_ns`."""
        return marks_of(self.runs, len(self.text), char_ns, leeway_ns)


class ScreenLine:
    """The cells. `erased` is what the line showed before blanks overwrote it, until text comes again."""

    def __init__(self) -> None:
        self.clear()

    def clear(self, column: int = 0) -> None:
        """Begin an empty line with the cursor at `column`."""
        self._cells: list[str] = []
        self._times: list[int] = []
        self._added = ""
        self._runs: list[Run] = []
        self._visible = 0
        self.column = column
        self.erased: LineShown | None = None

    @property
    def empty(self) -> bool:
        """Whether nothing was done to the line yet."""
        return not self.column and not self._cells and not self._added and self.erased is None

    @property
    def blank(self) -> bool:
        return self._visible == 0

    @property
    def full(self) -> bool:
        return self.column >= LINE_LIMIT

    @property
    def at_end(self) -> bool:
        """Whether what is written now overwrites nothing and leaves no gap."""
        return self.column == (len(self._cells) or len(self._added))

    def shown(self) -> LineShown:
        if self._added:
            return LineShown(self._added.rstrip(), tuple(self._runs))
        text = "".join(self._cells).rstrip()
        return LineShown(text, tuple(zip(range(len(text)), self._times, repeat(0))))

    def add(self, text: str, runs: list[Run]) -> None:
        """Write characters of which only " " is blank where the line is `at_end`, as `put` would one by one.

        `runs` begin at the cursor's column; the line must not get longer than LINE_LIMIT.
        """
        if self._cells:
            self._cells += text
            self._times += _each(runs, self.column + len(text))
        else:
            self._added += text
            self._runs += runs
        self.column += len(text)
        if visible := len(text) - text.count(" "):
            self._visible += visible
            self.erased = None

    def put(self, char: str, t_ns: int) -> bool:
        """Write `char` at the cursor (which is not `full`); return whether anything visible changed."""
        self._unfold()
        changed = self._set(self.column, char, t_ns)
        self.column += 1
        return changed

    def move(self, column: int) -> None:
        """Put the cursor at `column`, kept within the line."""
        self.column = min(max(column, 0), LINE_LIMIT - 1)

    def tab(self, t_ns: int) -> None:
        self._unfold()
        self.move((self.column // TAB + 1) * TAB)
        self._fill(self.column, t_ns)

    def wipe(self, first: int, last: int, t_ns: int) -> bool:
        """Blank the cells from `first` up to `last` (exclusive); return whether anything visible changed."""
        self._unfold()
        changed = False
        for column in range(max(first, 0), min(last, len(self._cells))):
            changed |= self._set(column, " ", t_ns)
        return changed

    def _unfold(self) -> None:
        """Make cells of what was added in runs."""
        if self._added:
            self._cells, self._times = list(self._added), _each(self._runs, len(self._added))
            self._added, self._runs = "", []

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


def _each(runs: Sequence[Run], end: int) -> list[int]:
    """The arrival of each character up to `end`."""
    ends = [*(index for index, _, _ in runs[1:]), end]
    return [t + n * step for (index, t, step), to in zip(runs, ends, strict=True) for n in range(to - index)]
