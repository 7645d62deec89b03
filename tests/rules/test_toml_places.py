"""Every key and value of a TOML file is found at the line where it begins, and never a wrong one."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.rules.files import shipped_tables
from benchd.tomlfile import FileProblems, dotted, locate, parse
from benchd.tomlplaces import Key, Places

TRICKY = '''# [stage] is not here
[table]
name = "x = [1"
"quoted key" . 'b' = [ # name = 1
  "a = b",
  """
[[stage]]
name = "no"
""",
  { x = 1, y = ["q",
     "r"] },
]
[[stage]]
name = 'a#"'
enter = [{ code = "01" },
   { text = "y # [z]" }]
[[stage]]
name = "b"
[[stage.sub]]
k = 1
[[stage.sub]]
k = 2
[stage.t]
z.deep = 2
[[stage]]
[[stage.sub]]
k = 3
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("table",), 2),
        (("table", "name"), 3),
        (("table", "quoted key", "b"), 4),
        (("table", "quoted key", "b", 0), 5),
        (("table", "quoted key", "b", 1), 6),
        (("table", "quoted key", "b", 2, "y", 0), 10),
        (("table", "quoted key", "b", 2, "y", 1), 11),
        (("stage", 0), 13),
        (("stage", 0, "name"), 14),
        (("stage", 0, "enter", 0, "code"), 15),
        (("stage", 0, "enter", 1, "text"), 16),
        (("stage", 1, "name"), 18),
        (("stage", 1, "sub", 1, "k"), 22),
        (("stage", 1, "t", "z", "deep"), 24),
        (("stage", 2, "sub", 0, "k"), 27),
    ],
)
def test_places_in_a_tricky_file(path: Key, line: int) -> None:
    """Comments, strings that look like TOML, multi-line values, quoted and dotted keys are told apart."""
    tomllib.loads(TRICKY)
    assert locate(TRICKY, path) == line


def test_what_is_missing_is_placed_at_its_parent() -> None:
    """A key that is not there is reported at the table that lacks it, at 0 where there is no such table."""
    assert locate(TRICKY, ("stage", 1, "limit")) == 17
    assert locate(TRICKY, ("boot", "quiet")) == 0


def leaves(value: Any, path: Key = ()) -> list[tuple[Key, Any]]:
    if isinstance(value, dict):
        return [leaf for k, v in value.items() for leaf in leaves(v, (*path, k))]
    if isinstance(value, list):
        return [leaf for i, v in enumerate(value) for leaf in leaves(v, (*path, i))]
    return [(path, value)]


@pytest.mark.parametrize("file", shipped_tables().values(), ids=lambda p: p.stem)
def test_places_agree_with_the_standard_parser(file: Path) -> None:
    """Each leaf that tomllib reads from a shipped table begins on the line that Places gives."""
    text = file.read_text(encoding="utf-8")
    lines, places = text.splitlines(), Places(text)
    found = leaves(tomllib.loads(text))
    assert len(found) > (20 if file.stem != "record" else 5)
    for path, value in found:
        line = lines[places.line(path) - 1]
        if isinstance(value, str) and "\n" in value:
            assert line.rstrip().endswith('"""')
        elif isinstance(value, bool):
            assert str(value).lower() in line
        elif isinstance(value, str):
            assert value in line or value.replace("\\", "\\\\") in line
        else:
            assert str(value) in line


class Writer:
    """Writes values as TOML in random layouts and notes at which line each one begins."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw, self.text, self.lines = draw, "", {}

    def put(self, text: str) -> None:
        self.text += text

    def gap(self) -> None:
        self.put(self.draw(st.sampled_from(["", " ", "\n", '\n# ] } " = [x]\n', "\t\n\n"])))

    def value(self, value: Any, path: Key, inline: bool) -> None:
        self.lines[path] = self.text.count("\n") + 1
        if isinstance(value, list):
            self.put("[")
            for i, item in enumerate(value):
                self.gap()
                self.value(item, (*path, i), inline)
                self.gap()
                self.put("," if i < len(value) - 1 else self.draw(st.sampled_from(["", ","])))
            self.gap()
            self.put("]")
        elif isinstance(value, dict):
            self.put("{ ")
            for i, (key, item) in enumerate(value.items()):
                self.put(", " if i else "")
                self.lines[(*path, key)] = self.text.count("\n") + 1
                self.put(f"{key} = ")
                self.value(item, (*path, key), True)
            self.put(" }")
        elif isinstance(value, int):
            self.put(str(value))
        else:
            self.put(self.draw(st.sampled_from(['"{}"', "'{}'", '"""{}"""', "'''\n{}'''"])).format(value))


WORDS = st.text("ab[]{}=,.# ", max_size=6)
VALUES = st.recursive(
    st.integers(0, 99) | WORDS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from("pqr"), inner, max_size=2),
    max_leaves=8,
)


@st.composite
def documents(draw: st.DrawFn) -> tuple[str, dict[str, Any], dict[Key, int]]:
    writer = Writer(draw)
    data: dict[str, Any] = {}
    heads = st.sampled_from(["plain", "many"])
    for kind in draw(st.lists(heads, max_size=5)):
        writer.gap()
        writer.put("\n")
        line = writer.text.count("\n") + 1
        if kind == "plain":
            name = f"t{len(data)}"
            writer.put(f"[{name}]\n")
            path, table = (name,), data.setdefault(name, {})
        else:
            rows = data.setdefault("rows", [])
            rows.append({})
            writer.put("[[ rows ]] # x\n")
            path, table = ("rows", len(rows) - 1), rows[-1]
        writer.lines[path] = line
        for key, value in draw(st.dictionaries(st.sampled_from("xyz"), VALUES, max_size=3)).items():
            writer.put(f"{key} =")
            table[key] = value
            writer.value(value, (*path, key), False)
            writer.put("\n")
    return writer.text, data, writer.lines


@settings(deadline=None, max_examples=150)
@given(documents())
def test_places_of_generated_documents(case: tuple[str, dict[str, Any], dict[Key, int]]) -> None:
    """Whatever the layout, every table, key and element is found at the line where it was written."""
    text, data, lines = case
    assert tomllib.loads(text) == data  # the writer wrote what it says it did
    places = Places(text)
    assert {path: places.line(path) for path in lines} == lines


@settings(deadline=None, max_examples=200)
@given(st.text("[]{}=\"'\\\n#,. abé1-", max_size=60))
def test_any_text_ends(text: str) -> None:
    """Text that is not TOML does not stop or break the search for places."""
    assert Places(text).line(("a",)) <= text.count("\n") + 1


def test_syntax_errors_name_their_line() -> None:
    """A file that is not TOML is refused with the line; nesting that the parser cannot bear is, too."""
    with pytest.raises(FileProblems) as wrong:
        parse("a = 1\nb = = 2\n", "f.toml")
    assert (wrong.value.problems[0].line, wrong.value.exit_code) == (2, 2)
    with pytest.raises(FileProblems, match="nested too deeply"):
        parse("a = " + "[" * 100_000, "f.toml")


def test_dotted_counts_from_one() -> None:
    assert dotted(("stage", 1, "enter", 0, "code")) == "stage[2].enter[1].code"
