"""The example files that are shipped load without an error and are what the demo plays."""

from __future__ import annotations

import contextlib
import tomllib
from pathlib import Path

import pytest
from studies.conftest import COMMAND, Commands

from benchd.cli.demo import SETTINGS, copy_examples
from benchd.demo import at286
from benchd.demo.story import document
from benchd.rom.layout import Window
from benchd.rom.loading import load_map
from benchd.rules.files import shipped_dir, shipped_tables
from benchd.settings import load_settings
from benchd.studies.loaded import open_study, save

EXAMPLES = shipped_dir() / "examples"
ROOT = Path(__file__).parents[2]


def test_the_study_is_that_of_the_story(benchd: Commands) -> None:
    """Made by the command as a person would; then the same factors, costs, goal and exclusions as the demo's."""
    benchd("study", "new", "storage-rom", "--from", str(EXAMPLES / "storage-rom.toml"))
    found = tomllib.loads(benchd("study", "export", "storage-rom", "--toml"))
    with benchd.store() as store:
        made = open_study(store, "storage-rom").study
        played = save(store, "played", document(), "2026-03-01T20:00:00+01:00").study
    assert (made.factors, made.goal, made.question) == (played.factors, played.goal, played.question)
    assert (made.exclusions, made.boot_minutes) == (played.exclusions, played.boot_minutes)
    assert found["machine"] == "at286"


def test_the_map_is_that_of_the_machine() -> None:
    """Addresses, sizes and jumpers of the simulated machine; at the start the two cards' windows overlap."""
    _, layout, notes = load_map(EXAMPLES / "at286-map.toml")
    windows: dict[str, Window] = {one.name: one for one in layout.windows}
    storage, network = windows["storage ROM"], windows["network RAM"]
    assert notes == []
    assert (network.base, network.size) == at286.NETWORK_WINDOW
    assert storage.size == at286.ROM_BYTES and set(storage.positions) == set(at286.ROM_BASES.values())
    assert storage.base == at286.ROM_BASES[at286.START["rom-base"]] and storage.stage == at286.GOAL_STAGE
    # Common practice: a VGA BIOS of 32 KiB at C0000, the AT's own BIOS in the last 64 KiB.
    assert (windows["video ROM"].base, windows["system BIOS"].base) == (0xC0000, 0xF0000)


def test_the_map_shows_the_conflict(capsys: pytest.CaptureFixture[str]) -> None:
    """`benchd map` tells of the overlap at D0000."""
    with contextlib.suppress(SystemExit):
        COMMAND.main(["map", str(EXAMPLES / "at286-map.toml")], standalone_mode=False)
    assert "D0000-D1FFF  storage ROM and network RAM" in capsys.readouterr().out


def test_the_hints_in_the_study_work(benchd: Commands) -> None:
    """With the lines about the map taken in, as the comments say, the study loads beside its map."""
    text = (EXAMPLES / "storage-rom.toml").read_text()
    for old, new in (("# map =", "map ="), ("# window =", "window ="), ('"jumper"', '"rom-base"')):
        assert old in text
        text = text.replace(old, new)
    benchd.file("at286-map.toml", (EXAMPLES / "at286-map.toml").read_text())
    benchd("study", "new", "mapped", "--from", benchd.file("storage-rom.toml", text))
    benchd("trial", "start", "--end-running", "--study", "mapped", "--machine", "at286")
    with benchd.store() as store:
        assert store.predictions(store.trials()[0].id)


def test_the_demo_has_them_in_its_folder(tmp_path: Path) -> None:
    """The settings that the demo writes name the map beside them, and load."""
    copy_examples(tmp_path)
    text = SETTINGS.format(listen="127.0.0.1:0", python='"python"', alarm='"pass"', post='"/p"', console='"/c"')
    (tmp_path / "bench.toml").write_text(text)
    settings = load_settings(tmp_path / "bench.toml")
    assert settings.settings.machine[0].map is not None and load_map(tmp_path / "at286-map.toml")[2] == []
    assert (tmp_path / "storage-rom.toml").read_text() == (EXAMPLES / "storage-rom.toml").read_text()


def test_examples_are_packed_and_are_no_rule_tables() -> None:
    """The package data takes every file under config/; `rules list` shows none of these."""
    packed = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["package-data"]
    assert packed["benchd.shipped"] == ["**/*"]
    assert not {path.stem for path in EXAMPLES.glob("*.toml")} & set(shipped_tables())
