"""The format page and the schema say the same: every key is described, every described key exists."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchd.rules import check_text
from benchd.rules import schema as s
from benchd.rules.files import shipped_tables
from benchd.rules.lints import LINTS
from benchd.rules.table import NAMED

PAGE = (Path(__file__).resolve().parents[2] / "firmware-notes" / "rule-tables.md").read_text(encoding="utf-8")
MODELS = {
    "when": s.When,
    "[table]": s.TableHead,
    "[boot]": s.BootPart,
    "[[stage]]": s.StageRule,
    "[[stall]]": s.StallRule,
    "[[loop]]": s.LoopRule,
    "[[order]]": s.OrderRule,
    "[[fault]]": s.FaultRule,
    "[[check]]": s.CheckRule,
    "[[code]]": s.CodeName,
}


def sections() -> dict[str, str]:
    parts = re.split(r"^#{2,3} (.+)$", PAGE, flags=re.MULTILINE)
    return {title.strip("`"): body for title, body in zip(parts[1::2], parts[2::2], strict=True)}


def first_column(body: str) -> list[str]:
    return re.findall(r"^\| `([^`]+)` \|", body, flags=re.MULTILINE)


@pytest.mark.parametrize("title", MODELS)
def test_keys_are_described_and_exist(title: str) -> None:
    fields = {field.alias or name for name, field in MODELS[title].model_fields.items()}
    described = first_column(sections()[title])
    assert len(described) == len(set(described))
    assert set(described) == fields


def test_needed_keys_are_called_needed() -> None:
    """What the page calls needed is what the schema refuses to do without."""
    for title, model in MODELS.items():
        rows = dict(re.findall(r"^\| `([^`]+)` \|.*\| ([^|]*) \|$", sections()[title], flags=re.MULTILINE))
        required = {f.alias or n for n, f in model.model_fields.items() if f.is_required()}
        assert {key for key, default in rows.items() if default == "needed"} == required, title


def test_defaults_on_the_page_are_the_schema_s() -> None:
    told = sections()
    assert "| 60 s |" in told["[boot]"] and s.BootPart().quiet == 60
    assert "| 20 s |" in told["[boot]"] and s.BootPart().power_quiet == 20
    assert "| half of `limit`, else 1 s |" in told["[[stage]]"] and s.StageRule.model_fields["floor"].default is None
    assert "| 5 |" in told["[[loop]]"] and s.LoopRule.model_fields["times"].default == 5


def test_every_table_of_the_schema_is_described() -> None:
    """Each top-level key of a rule table has a section."""
    keys = {f"[[{n}]]" if n in (*NAMED, "code") else f"[{n}]" for n in s.RuleTable.model_fields}
    assert keys | {"when"} == set(MODELS)


def test_lints_and_shipped_tables_are_listed() -> None:
    assert set(first_column(sections()["Lints"])) == set(LINTS)
    assert set(first_column(PAGE.split("## A worked example")[0])) == set(shipped_tables())


def test_the_worked_example_works() -> None:
    """The example on the page loads without errors or lints."""
    body = sections()["A worked example"]
    text = "\n".join(line[4:] for line in body.splitlines() if line.startswith("    ") or not line)
    table, lints = check_text(text, "example.toml")
    assert [str(lint) for lint in lints] == []
    assert table.name == "oddboard" and len(table.stage) == 4


def test_limit_kinds_are_the_published_ones() -> None:
    from typing import get_args

    from benchd.vocabulary.models import LimitKind

    told = re.findall(r"^- `([^`]+)`:", sections()["Limits, and which one an alert names"], flags=re.MULTILINE)
    assert set(told) == set(get_args(LimitKind))
