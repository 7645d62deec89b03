"""Study documents: what people write in TOML is understood, refused with file, line and key, and written back."""

from __future__ import annotations

import string

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.errors import UsageError
from benchd.studies.document import (
    ExcludePart,
    FactorPart,
    GoalPart,
    StudyDocument,
    check_whole,
    read_part,
    to_toml,
)
from benchd.tomlfile import FileProblems

WHOLE = """\
question = "why?"
machine = "at286"
[goal]
kind = "stage-reached"
target = "storage-rom"
[[factor]]
name = "rom-base"
levels = ["C800", "D000"]
[[factor]]
name = "slot"
levels = [3, 5]
"""


def whole(more: str = "") -> StudyDocument:
    text = WHOLE + more
    return check_whole(read_part(text, "s.toml"), text, "s.toml")


def test_a_document_becomes_the_pure_study() -> None:
    """Factors, kinds told by name, numbers as levels, goal, exclusions and reference all arrive."""
    study = whole(
        '[[exclude]]\nwhen = { rom-base = "D000" }\nunless = { slot = 3 }\nreason = "too far"\n'
        '[reference]\nrom-base = "C800"\nslot = 3\n'
    ).pure("n")
    assert [(f.name, f.levels, f.kind) for f in study.factors] == [
        ("rom-base", ("C800", "D000"), "jumper"),
        ("slot", ("3", "5"), "slot"),
    ]
    assert study.goal.words() == "stage storage-rom reached"
    assert study.excluded({"rom-base": "D000", "slot": "5"}) == "too far"
    assert study.excluded({"rom-base": "D000", "slot": "3"}) is None
    assert study.reference == {"rom-base": "C800", "slot": "3"}


@pytest.mark.parametrize(
    ("block", "any_level", "d000"),
    [
        ("[cost]\nrom-base = 4\n", 4, 4),
        ("[cost.rom-base]\nD000 = 9\n", 6, 9),
        ("[cost.rom-base]\nminutes = 3\nD000 = 9\n", 3, 9),
        ("[cost]\nrom-base = { minutes = 2, levels = { D000 = 8 } }\n", 2, 8),
    ],
)
def test_costs_in_every_form(block: str, any_level: float, d000: float) -> None:
    """A cost block gives minutes by factor or by level; without one the kind's usual minutes hold."""
    factor = whole(block).pure("n").factor("rom-base")
    assert (factor.cost("C800"), factor.cost("D000")) == (any_level, d000)


@pytest.mark.parametrize(
    "block",
    [
        '[[exclude]]\nrom-base = "D000"\nslot = 5\nreason = "r"\n',
        '[exclude]\nrom-base = "D000"\nslot = 5\nreason = "r"\n',
        '[[exclude]]\nwhen = { rom-base = "D000", slot = 5 }\nreason = "r"\n',
    ],
)
def test_exclusions_in_every_form(block: str) -> None:
    """Factors may stand loose in an exclusion or under `when`; one exclusion needs no list."""
    study = whole(block).pure("n")
    assert study.excluded({"rom-base": "D000", "slot": "5"}) == "r"
    assert study.excluded({"rom-base": "C800", "slot": "5"}) is None


@pytest.mark.parametrize(
    ("more", "line", "key", "text"),
    [
        ("[cost]\nslott = 4\n", 13, "cost.slott", "no factor is called 'slott': there are rom-base, slot"),
        ("[reference]\nslot = 9\n", 13, "reference.slot", "'9' is no level of factor 'slot': 3, 5"),
        ("[[exclude]]\nreason = 'r'\nslot = 9\n", 14, "exclude[1].slot", "'9' is no level"),
        ("[[exclude]]\nreason = 'r'\n", 12, "exclude[1]", "name at least one factor"),
        ("[[factor]]\nname = 'slot'\nlevels = ['a']\n", 13, "factor[3].name", "named twice"),
        ("[[factor]]\nname = 'x'\nlevels = ['a', 'a']\n", 14, "factor[3].levels", "'a' is named twice"),
        ("[[factor]]\nname = 'x'\nkind = 'banana'\nlevels = ['a']\n", 14, "factor[3].kind", "must be 'rom-base', "),
        ("[[factor]]\nname = 'x'\nlevel = ['a']\n", 14, "factor[3].level", "unknown key"),
        ("[cost]\nslot = -1\n", 13, "cost.slot", "must be 0 or more"),
    ],
)
def test_mistakes_name_file_line_and_key(more: str, line: int, key: str, text: str) -> None:
    """Every mistake is found where it stands."""
    with pytest.raises(FileProblems) as caught:
        whole(more)
    assert any(
        p.line == line and p.key == key and text in p.text and p.file == "s.toml" for p in caught.value.problems
    ), str(caught.value)


def test_a_goal_must_be_whole() -> None:
    """A goal without its target or limit is refused in the file's own words."""
    for goal in ('kind = "stage-reached"', 'kind = "stage-faster"\ntarget = "m"', 'target = "m"\nlimit = "5s"'):
        text = f"[goal]\n{goal}\n"
        with pytest.raises(FileProblems, match=r"g\.toml:1: goal"):
            read_part(text, "g.toml")


def test_a_part_put_in_keeps_the_rest() -> None:
    """Merging takes what the part states; factors of one name are joined, levels are united in its order."""
    part = read_part('[[factor]]\nname = "slot"\nlevels = [5, 7]\nminutes = 1\n[cost]\nrom-base = 2\n', "p")
    study = check_whole(whole().merged(part)).pure("n")
    assert study.factor("slot").levels == ("5", "7", "3") and study.factor("slot").cost("7") == 1
    assert study.factor("rom-base").cost("C800") == 2
    assert study.question == "why?" and study.goal.target == "storage-rom"


names = st.text(st.characters(exclude_categories=("Cs",)), min_size=1, max_size=20)


@settings(deadline=None, max_examples=60)
@given(
    st.lists(names, min_size=1, max_size=4, unique=True),
    st.lists(names, min_size=1, max_size=4, unique=True),
    st.text(st.characters(exclude_categories=("Cs",)), max_size=60),
    st.floats(0, 1000),
)
def test_written_toml_reads_back(factors: list[str], levels: list[str], text: str, minutes: float) -> None:
    """Whatever the names hold (quotes, controls, line ends), the written document is TOML and means the same."""
    minutes = float(f"{minutes:.6g}")
    document = StudyDocument(
        question=text,
        goal=GoalPart(kind="stage-faster", target=factors[0], limit=2.5),
        factor=[FactorPart(name=name, levels=levels, minutes=minutes) for name in factors],
        exclude=[ExcludePart(when={factors[-1]: levels[0]}, unless={factors[0]: levels[-1]}, reason=text[:400] or "r")],
        reference=dict.fromkeys(factors, levels[0]),
    )
    again = read_part(to_toml(document), "again")
    assert again.model_dump() == document.model_dump()


def test_toml_of_the_standard_library_reads_it() -> None:
    """The same with the standard parser, outside our own reading (TOML 1.0, Python's tomllib)."""
    import tomllib

    odd = StudyDocument(question='\x7f\x00\n"\\' + string.printable, factor=[FactorPart(name='a b.c"', levels=["x"])])
    data = tomllib.loads(to_toml(odd))
    assert data["question"] == odd.question and data["factor"][0]["name"] == 'a b.c"'


def test_too_much_is_refused_with_both_numbers() -> None:
    """A document has a bound, and so have factors and levels."""
    with pytest.raises(FileProblems, match=r"1048600 characters; a study has at most 1048576"):
        read_part("#" * 1_048_600, "big")
    many = "".join(f'[[factor]]\nname = "f{i}"\nlevels = ["a"]\n' for i in range(25))
    with pytest.raises(FileProblems, match="at most 24, not"):
        read_part(many, "many")
    with pytest.raises(UsageError, match="no factor"):
        check_whole(StudyDocument())
