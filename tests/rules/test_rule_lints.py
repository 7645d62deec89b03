"""Each lint speaks where it should and keeps silent beside it."""

from __future__ import annotations

import pytest

from benchd.rules import check_text
from benchd.rules.lints import LINTS

GOOD = """\
[table]
name = "t"
source = "own"
ports = ["80", "84"]
[boot]
starts = [{ code = "01" }]
ignore = [{ code = "F0-F7" }]
[[stage]]
name = "a"
enter = [{ code = "20-24" }, { text = "Testing memory" }]
[[stage]]
name = "b"
enter = [{ code = "30" }]
[[stage]]
name = "end"
enter = [{ code = "60" }]
final = true
"""


def stage(enter: str, more: str = "", name: str = "x") -> str:
    new = f'[[stage]]\nname = "{name}"\nenter = [{enter}]\n{more}\n'
    return GOOD.replace('[[stage]]\nname = "end"', new + '[[stage]]\nname = "end"')


def stall(where: str, quiet: str = "5s", name: str = "s") -> str:
    return f'[[stall]]\nname = "{name}"\n{where}\nquiet = "{quiet}"\n'


# lint: [(text that has it, key)], [texts that have no lint at all]
CASES: dict[str, tuple[list[tuple[str, str]], list[str]]] = {
    "overlapping-codes": (
        [
            (stage('{ code = "24-26" }'), "stage[3].enter[1]"),
            (stage('{ code = "25" }, { code = "23", port = "84" }'), "stage[3].enter[2]"),
            (stage('{ code = "40" }, { code = "2F-30" }'), "stage[3].enter[2]"),
            (stage('{ code = "7000-7FFF" }, { code = "5F-61" }'), "stage[4].enter[1]"),
        ],
        [
            stage('{ code = "25-2F" }'),
            stage('{ code = "3020" }'),  # 16-bit 3020h is another code than 20h
            stage('{ code = "40", port = "80" }', '[[stage]]\nname = "y"\nenter = [{ code = "40", port = "84" }]'),
        ],
    ),
    "unreachable-stage": (
        [
            (stage('{ code = "21" }'), "stage[3]"),
            (stage('{ text = "Testing memory" }'), "stage[3]"),
            (stage('{ code = "F1-F2" }'), "stage[3]"),
            (stage('{ code = "40", port = "300" }'), "stage[3]"),
            (stage('{ code = "21" }, { code = "F0" }'), "stage[3]"),
        ],
        [
            stage('{ text = "Testing memory again" }'),
            stage('{ code = "EF" }, { code = "F1" }'),
            stage('{ code = "40", port = "84" }'),
        ],
    ),
    "never-fires": (
        [
            (GOOD + stall('after = { code = "F3" }'), "stall[1].after"),
            (GOOD + stall('after = { code = "20", port = "300" }'), "stall[1].after"),
            (GOOD + stall('after = { code = "60" }'), "stall[1].after"),
            (GOOD + stall('in = "end"'), "stall[1].in"),
            (
                GOOD + stall('after = { code = "20-2F" }') + stall('after = { code = "22" }', "9s", "s2"),
                "stall[2]",
            ),
            (
                GOOD + stall('after = { code = "22" }', "9s") + stall('after = { code = "20-2F" }', name="s2"),
                "stall[1]",
            ),
            (GOOD + stall('in = "a"') + stall('in = "a"', name="s2"), "stall[2]"),
            (GOOD + '[[order]]\nname = "o"\nfirst = "a"\nthen = "a"\n', "order[1]"),
            (GOOD + '[[order]]\nname = "o"\nfirst = "a"\nthen = "end"\n', "order[1].then"),
            (GOOD + '[[loop]]\nname = "l"\ncodes = ["20", "F4"]\n', "loop[1].codes[2]"),
            (GOOD + '[[check]]\nname = "c"\npass = "video ok"\nfail = "video ok"\n', "check[1].fail"),
            (GOOD + '[[fault]]\nname = "f"\nseen = { code = "F7" }\n', "fault[1].seen"),
            (GOOD.replace('{ code = "01" }]', '{ code = "F0" }]'), "boot.starts[1]"),
        ],
        [
            GOOD + stall('after = { code = "22" }') + stall('after = { code = "20-2F" }', "9s", "s2"),
            GOOD + stall('after = { code = "20-2F" }', "9s") + stall('after = { code = "22" }', name="s2"),
            GOOD + stall('in = "a"') + stall('in = "b"', name="s2") + stall('after = { code = "20" }', name="s3"),
            GOOD + '[[order]]\nname = "o"\nfirst = "b"\nthen = "a"\n',
            GOOD + '[[loop]]\nname = "l"\ncodes = ["20", "F8"]\n',
            GOOD + '[[check]]\nname = "c"\npass = "video ok"\nfail = "video bad"\n',
        ],
    ),
    "no-literal": (
        [
            (stage(r"{ text = '[A-Z]:\\' }"), "stage[3].enter[1]"),
            (GOOD + '[[fault]]\nname = "f"\nseen = { text = "[0-9]+ ?K" }\n', "fault[1].seen"),
            (GOOD + '[[check]]\nname = "c"\npass = "o.k."\nfail = "bad video"\n', "check[1].pass"),
            (GOOD + stall("after = { text = 'disk|drive' }"), "stall[1].after"),
        ],
        [
            stage(r"{ text = '[A-Z]:\\>' }"),
            stage("{ text = '(?i)ready' }"),
            stage("{ text = '^[0-9]+ KB OK$' }"),
        ],
    ),
    "no-final": ([(GOOD.replace("final = true", ""), "stage")], [GOOD]),
    "contradiction": (
        [
            (stage('{ code = "40" }', 'limit = "10s"\nfloor = "20s"'), "stage[3].floor"),
            (stage('{ code = "40" }', 'limit = "10s"\nusual = "20s"'), "stage[3].usual"),
            (stage('{ code = "40" }', 'branch = "disk"'), "stage[3].branch"),
        ],
        [
            stage('{ code = "40" }', 'limit = "20s"\nfloor = "20s"\nusual = "20s"'),
            stage('{ code = "40" }', 'limit = "500ms"'),  # the floor nobody wrote is not held against it
            stage(
                '{ code = "40" }',
                'branch = "d"\n[[stage]]\nname = "y"\nenter = [{ code = "41" }]\nbranch = "d"',
            ),
        ],
    ),
    "doubled-meaning": (
        [(GOOD + '[[code]]\ncode = "20-24"\n[[code]]\ncode = "24"\n', "code[2].code")],
        [GOOD + '[[code]]\ncode = "24"\n[[code]]\ncode = "24"\nport = "84"\n[[code]]\ncode = "0024"\n'],
    ),
}

BAD = [(lint, text, key) for lint, (bad, _) in CASES.items() for text, key in bad]
FINE = [(lint, text) for lint, (_, good) in CASES.items() for text in good]


def test_every_lint_is_tried() -> None:
    """Each lint has a case for and a case against."""
    assert set(CASES) == set(LINTS)
    assert all(bad and good for bad, good in CASES.values())


@pytest.mark.parametrize(("lint", "text", "key"), BAD)
def test_lint_speaks(lint: str, text: str, key: str) -> None:
    """The lint is told at the right key, and at a line that holds it."""
    _, found = check_text(text, "t.toml")
    mine = [f for f in found if f.name == lint]
    assert [f.problem.key for f in mine] == [key], [str(f) for f in found]
    line = text.splitlines()[mine[0].problem.line - 1]
    last = key.split(".")[-1].split("[")[0]
    assert last in line
    assert str(mine[0]).startswith(f"t.toml:{mine[0].problem.line}: {key}: ")


@pytest.mark.parametrize(("lint", "text"), FINE)
def test_lint_keeps_silent(lint: str, text: str) -> None:
    """The near neighbour of a mistake has no lint of any kind."""
    _, found = check_text(text, "t.toml")
    assert [str(f) for f in found] == []
