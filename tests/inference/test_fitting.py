"""Which table explains a record: its own first, and none where there is none."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest
from typer.testing import CliRunner

from benchd.cli.main import build
from benchd.inference.bootlog import Event
from benchd.inference.fitting import fit, ranked
from benchd.rules import RuleTable, load_text
from benchd.rules.files import load_table, shipped_tables

TABLES = [load_table(str(path), Path()) for path in shipped_tables().values()]
CORPUS = Path(__file__).resolve().parents[1] / "corpus/captures"
RUN = CliRunner()


def codes(*values: int, step: float = 0.1) -> list[Event]:
    return [Event("code", f"{value:02X}", n * step) for n, value in enumerate(values)]


def own_boot(table: RuleTable) -> list[Event]:
    """A boot as the table itself tells it: its start, then the first code of each stage of the ladder up to the end."""
    values = [when.code.low for when in table.boot.starts[:1] if when.code is not None]
    for stage in table.stage:
        found = [when.code.low for when in stage.enter if when.code is not None and not when.code.wide]
        if found and not stage.anytime:
            values.append(found[0])
        if stage.final:
            break
    return codes(*values)


CODED = [table for table in TABLES if len(own_boot(table)) > 8]


@pytest.mark.parametrize("table", CODED, ids=lambda table: table.name)
def test_a_boot_of_a_family_is_explained_best_by_its_own_table(table: RuleTable) -> None:
    """Each family's own ladder, walked as its table has it: no other table explains it as well."""
    first, *others = ranked(TABLES, [own_boot(table)] * 2)
    assert first.table == table.name and first.fits, (first, others[0])


@pytest.mark.parametrize(
    ("name", "table"),
    [("test-good", "test-firmware"), ("test-300-baud", "test-firmware"), ("seabios-no-device", "seabios-text")],
)
def test_real_captures_are_explained_by_their_family(name: str, table: str) -> None:
    """Captures of the corpus, by the command; with what speaks for each table."""
    done = RUN.invoke(build(), ["rules", "fit", "--json", str(CORPUS / f"{name}.pcapng")])
    assert done.exit_code == 0, done.output
    told = json.loads(done.output)["tables"]
    assert told[0]["table"] == table and told[0]["score"] >= 0.6 and told[0]["order"] == 1
    assert "record" not in [one["table"] for one in told]
    words = RUN.invoke(build(), ["rules", "fit", str(CORPUS / f"{name}.pcapng")]).output
    assert f'{table} fits best: rules = "{table}"' in words and "Left out: demo-at286" in words


def test_where_no_table_fits_it_is_said(tmp_path: Path) -> None:
    """Random codes in one order: many are known by chance, the order is not."""
    rng = random.Random(3)
    for _ in range(20):
        boot = codes(*rng.sample(range(256), 40))
        assert not ranked(TABLES, [boot] * 3)[0].fits


def test_a_table_in_the_folder_counts_and_a_wrong_one_is_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """./rules comes in beside the shipped tables; one with errors is named and does not stop the others."""
    (tmp_path / "rules").mkdir()
    text = (shipped_tables()["test-firmware"]).read_text().replace('name = "test-firmware"', 'name = "mine"', 1)
    (tmp_path / "rules/mine.toml").write_text(text)
    (tmp_path / "rules/bad.toml").write_text("[table]\n")
    monkeypatch.chdir(tmp_path)
    done = RUN.invoke(build(), ["rules", "fit", str(CORPUS / "test-good.pcapng")])
    assert done.exit_code == 0 and "mine" in done.output and "left out" in done.output


def test_the_shares_are_what_they_say() -> None:
    """A ladder of three: two of three codes known, one pair in order, two of three stages, begun and not ended."""
    stages = "".join(f'[[stage]]\nname = "s{n}"\nenter = [{{ code = "{n}0" }}]\n' for n in (1, 2, 3))
    last = '[[stage]]\nname = "end"\nenter = [{ code = "40" }]\nfinal = true\n'
    table = load_text(f'[table]\nname = "t"\nsource = "own"\n[boot]\nstarts = [{{ code = "10" }}]\n{stages}{last}', "t")
    found = fit(table, [codes(0x10, 0x20, 0x77)])
    assert (found.known, found.order, found.ladder, found.ends) == pytest.approx((2 / 3, 1, 2 / 3, 0.5))
    assert found.score == pytest.approx(2 / 3 * 2 / 3 * 0.75)
    assert fit(table, [codes(0x20, 0x10, 0x40)]).order == 0
