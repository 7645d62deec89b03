"""Every error of a rule table is told with its line and key, all of them at once."""

from __future__ import annotations

import pytest

from benchd.rules import load_text
from benchd.tomlfile import FileProblems

GOOD = """\
[table]
name = "t"
source = "own"
[boot]
starts = [{ code = "01" }]
[[stage]]
name = "a"
enter = [{ code = "20-24" }, { text = "Testing memory" }]
[[stage]]
name = "b"
enter = [{ code = "30" }]
final = true
"""

STALL = '[[stall]]\nname = "s"\nafter = { code = "20" }\nquiet = "5s"\n'
FAULT = '[[fault]]\nname = "f"\nseen = { text = "parity error" }\n'
CHECK = '[[check]]\nname = "c"\npass = "video ok"\nfail = "video bad"\n'
LOOP = '[[loop]]\nname = "l"\ncodes = ["20", "30"]\n'
ORDER = '[[order]]\nname = "o"\nfirst = "a"\nthen = "b"\n'


def test_the_smallest_tables_load() -> None:
    """The contract's example parts load, each kind of rule with its least keys."""
    table = load_text(GOOD + STALL + FAULT + CHECK + LOOP + ORDER, "t.toml")
    assert [s.name for s in table.stage] == ["a", "b"]
    assert (table.stall[0].quiet, table.loop[0].times, table.boot.quiet, table.boot.power_quiet) == (
        5,
        5,
        60,
        20,
    )


def swap(old: str, new: str) -> str:
    assert old in GOOD
    return GOOD.replace(old, new, 1)


# (file with `#!` on the line that must be named, key, part of the message)
CASES = {
    "no table": (GOOD[GOOD.index("[boot]") :], "table", "is missing"),
    "no name": (swap('[table]\nname = "t"', "[table] #!"), "table.name", "is missing"),
    "no source": (
        swap('[table]\nname = "t"\nsource = "own"', '[table] #!\nname = "t"'),
        "table.source",
        "missing",
    ),
    "empty source": (swap('source = "own"', 'source = "" #!'), "table.source", "must not be empty"),
    "unknown key": (swap('source = "own"', 'source = "own"\ncolour = 1 #!'), "table.colour", "unknown key"),
    "unknown table": (GOOD + "[colour] #!\n", "colour", "unknown key"),
    "unknown key in a code": (
        swap('{ code = "30" }]', '{ code = "30", beep = 1 }] #!'),
        "stage[2].enter[1].beep",
        "unknown key",
    ),
    "number for a code": (
        swap('{ code = "30" }]', "{ code = 30 }] #!"),
        "stage[2].enter[1].code",
        "in quotes, not 30",
    ),
    "bad code": (swap('"30" }]', '"3Q" }] #!'), "stage[2].enter[1].code", "two hex digits"),
    "backwards": (swap('"20-24" }, {', '"24-20" }, #!\n  {'), "stage[1].enter[1].code", "backwards"),
    "second line of an array": (
        swap('{ text = "Testing memory" }', '\n  { text = "(" }, #!\n'),
        "stage[1].enter[2].text",
        "bounded time",
    ),
    "always fires": (swap('"Testing memory" }]', '"x*" }] #!'), "stage[1].enter[2].text", "empty line"),
    "code and text": (
        swap('{ code = "30" }]', '{ code = "30", text = "x" }] #!'),
        "stage[2].enter[1]",
        "either",
    ),
    "neither": (swap('{ code = "30" }]', "{}] #!"), "stage[2].enter[1]", "either code or text"),
    "port with text": (
        swap('"Testing memory" }]', '"Testing memory", port = "80" }] #!'),
        "stage[1].enter[2]",
        "port goes with code",
    ),
    "bad port": (
        swap('{ code = "30" }]', '{ code = "30", port = "8O" }] #!'),
        "stage[2].enter[1].port",
        "I/O port",
    ),
    "hex number as port": (
        swap('{ code = "30" }]', '{ code = "30", port = 0x80 }] #!'),
        "stage[2].enter[1].port",
        "128 is not",
    ),
    "nothing enters": (swap('enter = [{ code = "30" }]', "enter = [] #!"), "stage[2].enter", "at least one is needed"),
    "enter missing": (
        swap('[[stage]]\nname = "b"\nenter = [{ code = "30" }]', '[[stage]] #!\nname = "b"'),
        "stage[2].enter",
        "is missing",
    ),
    "bad duration": (swap("final = true", 'limit = "soon" #!'), "stage[2].limit", "not a duration"),
    "too long": (swap("final = true", 'limit = "48h" #!'), "stage[2].limit", "at most 24 h"),
    "wrong type": (swap("final = true", 'final = "perhaps" #!'), "stage[2].final", "true or false"),
    "bad name": (swap('name = "b"', 'name = "b/#" #!'), "stage[2].name", "no spaces"),
    "optional and expected": (
        swap('[[stage]]\nname = "b"', '[[stage]] #!\nname = "b"\noptional = true\nexpected = true'),
        "stage[2]",
        "both",
    ),
    "bad start": (
        swap('starts = [{ code = "01" }]', 'starts = [{ code = "1" }] #!'),
        "boot.starts[1].code",
        "hex",
    ),
    "dotted key": (
        'boot.quiet = "x" #!\n' + swap('[boot]\nstarts = [{ code = "01" }]\n', ""),
        "boot.quiet",
        "not a duration",
    ),
    "dotted table": (swap("[boot]", "[boot.starts.x] #!"), "boot.starts", "double brackets: [[boot.starts]]"),
    "doubled stage": (swap('name = "b"', 'name = "a" #!'), "stage[2].name", "used twice"),
    "doubled stall": (GOOD + STALL + STALL.replace('"s"', '"s" #!'), "stall[2].name", "used twice"),
    "doubled fault": (GOOD + FAULT + FAULT.replace('"f"', '"f" #!'), "fault[2].name", "used twice"),
    "doubled check": (GOOD + CHECK + CHECK.replace('"c"', '"c" #!'), "check[2].name", "used twice"),
    "doubled loop": (GOOD + LOOP + LOOP.replace('"l"', '"l" #!'), "loop[2].name", "used twice"),
    "doubled order": (GOOD + ORDER + ORDER.replace('"o"', '"o" #!'), "order[2].name", "used twice"),
    "stall in no stage": (
        GOOD + STALL.replace('after = { code = "20" }', 'in = "c" #!'),
        "stall[1].in",
        "no stage is called 'c'",
    ),
    "stall after and in": (
        GOOD + STALL.replace("[[stall]]", '[[stall]] #!\nin = "a"'),
        "stall[1]",
        "either after",
    ),
    "stall without quiet": (
        GOOD + STALL.replace("[[stall]]", "[[stall]] #!").replace('quiet = "5s"', ""),
        "stall[1].quiet",
        "is missing",
    ),
    "try is one text": (GOOD + STALL + 'try = "reseat" #!\n', "stall[1].try", "list"),
    "a try that is no text": (
        GOOD + STALL + 'try = [\n  "reseat",\n  3, #!\n]\n',
        "stall[1].try[2]",
        "put it in quotes",
    ),
    "order of no stage": (
        GOOD + ORDER.replace('then = "b"', 'then = "z" #!'),
        "order[1].then",
        "the stages are a, b",
    ),
    "order first": (GOOD + ORDER.replace('first = "a"', 'first = "z" #!'), "order[1].first", "no stage"),
    "once is no loop": (GOOD + LOOP + "times = 1 #!\n", "loop[1].times", "must be 2 or more"),
    "bad loop code": (GOOD + LOOP.replace('"30"]', '\n "3"] #!'), "loop[1].codes[2]", "two hex digits"),
    "bad check": (GOOD + CHECK.replace('pass = "video ok"', 'pass = "[" #!'), "check[1].pass", "bounded time"),
    "bad code name": (GOOD + '[[code]]\ncode = "0" #!\n', "code[1].code", "two hex digits"),
    "bad choice": (swap('source = "own"', 'source = "own"\norder = "wild" #!'), "table.order", "ladder"),
}


@pytest.mark.parametrize("case", CASES)
def test_errors_name_line_and_key(case: str) -> None:
    """Each kind of mistake is told once, with file, line, key and a sentence that helps."""
    text, key, why = CASES[case]
    marked = [n for n, line in enumerate(text.splitlines(), 1) if "#!" in line]
    with pytest.raises(FileProblems) as wrong:
        load_text(text, "t.toml")
    found = [(p.line, p.key) for p in wrong.value.problems if p.key == key]
    assert found == [(marked[0] if marked else 0, key)], str(wrong.value)
    message = str(next(p for p in wrong.value.problems if p.key == key))
    assert why in message
    assert message.startswith(f"t.toml:{marked[0]}: " if marked else "t.toml: ")


def test_all_errors_come_at_once_in_order_of_line() -> None:
    """Errors of single values and errors of the whole table are told together."""
    text = (
        GOOD.replace('source = "own"', "source = 3").replace('name = "b"', 'name = "a"').replace('"30"', '"3"')
        + STALL.replace('after = { code = "20" }', 'in = "nowhere"')
        + "colour = 1\n"
    )
    with pytest.raises(FileProblems) as wrong:
        load_text(text, "t.toml")
    keys = [p.key for p in wrong.value.problems]
    assert keys == ["table.source", "stage[2].name", "stage[2].enter[1].code", "stall[1].in", "stall[1].colour"]
    assert [p.line for p in wrong.value.problems] == sorted(p.line for p in wrong.value.problems)


def test_sizes_are_bounded() -> None:
    """A table with too many rules is refused with the limit."""
    rows = "".join(f'[[stage]]\nname = "s{i}"\nenter = [{{ code = "{i % 256:02X}" }}]\n' for i in range(1001))
    with pytest.raises(FileProblems, match="at most 1000, not"):
        load_text('[table]\nname = "t"\nsource = "x"\n' + rows, "t.toml")


def test_meanings() -> None:
    """A code is explained by port and width; a 16-bit code by all of it and by its low byte."""
    table = load_text(
        GOOD.replace('source = "own"', 'source = "own"\nports = ["80", "84"]')
        + '[[code]]\ncode = "52"\nmeans = "roms"\n[[code]]\ncode = "52"\nport = "84"\nmeans = "bus"\n'
        + '[[code]]\ncode = "7200-72FF"\nmeans = "isa"\n',
        "t.toml",
    )
    assert table.meaning(0x52) == "roms; bus"
    assert table.meaning(0x52, 0x80) == "roms"
    assert table.meaning(0x52, 0x84) == "roms; bus"
    assert table.meaning(0x52, 0x300) == ""
    assert table.meaning(0x7252, 0x80, wide=True) == "isa; roms"
    assert table.meaning(0x7253, None, wide=True) == "isa"
    assert table.meaning(0x53) == ""
