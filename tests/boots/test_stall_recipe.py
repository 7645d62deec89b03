"""The recipe of DEVELOPERS.md for a kind of stall rule, followed in a copy of the tree.

`before = "scan"` goes for every stage that stands above `scan` in the ladder, where no other stall point waits.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from support.copied import ROOT, Copy

from benchd.rules import load_text
from benchd.tomlfile import FileProblems

DOCS = "tests/rules/test_rule_docs.py"
TABLE = """
[table]
name = "t"
source = "own"
[boot]
starts = [{ code = "01" }]
[[stage]]
name = "early"
enter = [{ code = "05" }]
limit = "50s"
[[stage]]
name = "scan"
enter = [{ code = "40" }]
limit = "9s"
[[stage]]
name = "ready"
enter = [{ code = "AA" }]
final = true
[[stall]]
name = "not-there-yet"
before = "scan"
quiet = "4s"
means = "It never came to its ROM scan."
"""
SECOND = '[[stall]]\nname = "later"\nbefore = "scan"\nquiet = "5s"\n'
RUN = """
import json, sys
from benchd.boots import BootTracker
from benchd.boots.deadlines import stage_limit
from benchd.rules import Matcher, check_text
from benchd.tomlfile import FileProblems
from benchd.vocabulary.events import FindingCleared, FindingRaised
from benchd.vocabulary.observations import Code
from benchd.vocabulary.records import LinkInfo
from benchd.vocabulary.times import NS, Anchor

table, lints = check_text(open("t.toml").read(), "t.toml")
tracker = BootTracker("m", Matcher(table), (LinkInfo("post", "post", "raw"),), Anchor(NS, 0))
told = []
def tell(events):
    for event in events:
        if isinstance(event, FindingRaised | FindingCleared) and event.finding.kind == "stall":
            finding = event.finding
            told.append([type(event).__name__, finding.kind, finding.rule, finding.limit_s, event.t_ns])
for t_s, code in (0, 0x01), (1, 0x05), (2, 0x33):
    tell(tracker.feed(Code("post", t_s * NS, 0, code)))
tell(tracker.advance(6 * NS - 1))
early = len(told)
tell(tracker.advance(6 * NS))
tell(tracker.feed(Code("post", 8 * NS, 0, 0x40)))
tell(tracker.advance(17 * NS))
_, twice = check_text(open("t.toml").read() + sys.argv[1], "t.toml")
try:
    check_text(open("t.toml").read().replace('before = "scan"', 'before = "scam"'), "t.toml")
    wrong = ""
except FileProblems as error:
    wrong = str(error)
limits = [stage_limit(table, stage, None).seconds for stage in table.stage[:2]]
print(json.dumps([early, told, limits, [str(l) for l in lints], [str(l) for l in twice], wrong]))
"""


def test_a_kind_of_stall_rule(tmp_path: Path) -> None:
    """With just the files that the recipe names it stalls a boot at its instant, and is checked, told and described."""
    with pytest.raises(FileProblems, match="before"):
        load_text(TABLE, "t.toml")
    copy = Copy(tmp_path, (DOCS,))
    schema = "benchd/rules/schema.py"
    copy.swap(schema, '    in_: str | None = Field(None, alias="in")\n',
              '    in_: str | None = Field(None, alias="in")\n    before: str | None = None\n')  # fmt: skip
    copy.swap(schema, "for place in (self.after, self.in_)", "for place in (self.after, self.in_, self.before)")
    copy.swap(schema, 'else f"in {self.in_}"', 'else f"in {self.in_}" if self.in_ else f"before {self.before}"')
    copy.swap("benchd/rules/table.py", '("stall", ("in",))', '("stall", ("in", "before"))')
    copy.swap(
        "benchd/rules/lints.py",
        "    return a.in_ is not None and a.in_ == b.in_\n",
        "    return (a.in_, a.before) == (b.in_, b.before) and a.after is b.after is None\n",
    )
    copy.swap(
        "benchd/boots/deadlines.py",
        "    inside = [s for s in table.stall if s.in_ == stage.name]\n",
        "    inside = [s for s in table.stall if s.in_ == stage.name]\n"
        "    names = [s.name for s in table.stage]\n"
        "    ahead = names[names.index(stage.name) + 1 :]\n"
        "    inside = inside or [s for s in table.stall if s.before in ahead]\n",
    )
    undescribed = copy.fails("-m", "pytest", "-q", "-p", "no:cacheprovider", DOCS)
    assert "before" in undescribed
    row = "| `before` | the boot is in a stage that stands above this one, and nothing else fits | this or `after` |\n"
    copy.add(
        "firmware-notes/rule-tables.md",
        "| `in` | the boot is in this stage, and no `after` fits | this or `after` |\n",
        row,
    )
    copy.run("-m", "pytest", "-q", "-p", "no:cacheprovider", DOCS)
    (tmp_path / "t.toml").write_text(TABLE)
    early, told, limits, lints, twice, wrong = json.loads(copy.run("-c", RUN, SECOND))
    assert early == 0, "not a nanosecond too soon"
    assert told == [
        ["FindingRaised", "stall", "not-there-yet", 4.0, 6_000_000_000],
        ["FindingCleared", "stall", "not-there-yet", 4.0, 8_000_000_000],
        ["FindingRaised", "stall", "unknown", 9.0, 17_000_000_000],
    ]
    assert limits == [4.0, 9.0] and lints == []
    assert len(twice) == 1 and "'not-there-yet' always fires first" in twice[0]
    assert "no stage is called 'scam'" in wrong
    assert "4 s silent before scan" in copy.run("-m", "benchd", "rules", "show", "t.toml")
    assert copy.touched == copy.told("A kind of stall rule")


def test_the_files_of_the_recipe_are_there() -> None:
    text = (
        (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("- **A kind of stall rule**")[1].split("\n- **")[0]
    )
    named = re.findall(r"`([\w.-]+/[\w./-]+)`", text)
    assert {"tests/boots/test_stall_recipe.py", "tests/boots/test_deadlines.py"} <= set(named)
    assert not [name for name in named if not (ROOT / name).exists()]
