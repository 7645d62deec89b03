"""Trials at the bench: started by what changed, images known by bytes, results by hand and from files."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from studies.conftest import Commands
from studies.simulated import VirtualBench
from support.option_roms import option_rom

STUDY = """\
question = "why?"
machine = "at286"
[goal]
kind = "stage-reached"
target = "storage-rom"
[[factor]]
name = "rom-base"
kind = "jumper"
levels = ["C800", "D000"]
minutes = 4
[[factor]]
name = "rom-image"
kind = "rom-image"
levels = ["early"]
moves_hardware = false
[[factor]]
name = "boot-device"
levels = ["adapter", "floppy"]
[[exclude]]
rom-base = "D000"
boot-device = "floppy"
reason = "the floppy controller sits there"
"""


@pytest.fixture
def study(benchd: Commands) -> Commands:
    benchd("study", "new", "s", "--from", benchd.file("s.toml", STUDY))
    return benchd


def test_a_trial_is_named_by_what_changed(study: Commands) -> None:
    """From the first levels, then from the last trial; several changes are pointed out, repeats are said."""
    first = study.json("trial", "start", "--end-running", "--study", "s")
    assert first["trial"]["setup"] == {"rom-base": "C800", "rom-image": "early", "boot-device": "adapter"}
    assert first["changes"] == [] and first["caution"] is None and first["compared_with"] == "the first levels"
    out = study("trial", "start", "--end-running", "rom-base=D000")
    assert "T2 of study s runs on at286" in out and "rom-base: C800 to D000  (4 min)" in out
    assert "CAUTION: Power off and unplug" in out and "ISA is not hot-plug" in out and "electrical codes" in out
    third = study.json("trial", "start", "--end-running", "rom-base=C800", "boot-device=floppy")
    assert third["trial"]["changed"] == {"rom-base": "C800", "boot-device": "floppy"}
    assert [(c["factor"], c["hardware"]) for c in third["changes"]] == [("rom-base", True), ("boot-device", False)]
    out = study("trial", "start", "--end-running", "boot-device=adapter")
    assert "tried before, in T1: a repeat" in out and "CAUTION" not in out
    out = study("trial", "start", "--end-running", "rom-base=D000", "boot-device=adapter")
    assert "things change at once" not in out and "tried before, in T2" in out
    out = study("trial", "start", "--end-running", "rom-base=C800", "boot-device=floppy")
    assert "2 things change at once (rom-base, boot-device)" in out
    assert "the same setup as T6" in study("trial", "start", "--end-running")


def test_excluded_setups_need_a_word(study: Commands) -> None:
    """The reason is given; --anyway tries it and notes it."""
    study("trial", "start", "--end-running", "rom-base=D000", "boot-device=floppy", code=2)
    assert "the floppy controller sits there" in study.err and "--anyway" in study.err
    assert study.json("trial", "list") == []
    study("trial", "start", "--end-running", "rom-base=D000", "boot-device=floppy", "--anyway")
    (trial,) = study.json("trial", "list")
    assert trial["excluded"] == "the floppy controller sits there" and "Tried although excluded" in trial["note"]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["slot=3"], "no factor 'slot'; it has rom-base, rom-image, boot-device"),
        (["rom-base=E000"], "no level 'E000'; it has C800, D000"),
        (["rom-base"], "'rom-base' is not factor=level"),
        (["rom-base="], "'rom-base=' is not factor=level"),
        (["rom-base=C800", "rom-base=D000"], "'rom-base' is named twice"),
        (["--study", "x"], "no study 'x'; there are s"),
        (["rom-base=@no.bin"], "no ROM image (kind jumper)"),
    ],
)
def test_wrong_words_are_refused(study: Commands, words: list[str], message: str) -> None:
    """Unknown names are answered with the known ones; nothing is started."""
    study("trial", "start", "--end-running", *words, code=2)
    assert message in study.err
    assert study("trial", "current") == "No trial is running.\n"


def test_a_new_level_is_added_when_asked(study: Commands) -> None:
    """--new puts the level into the study."""
    study("trial", "start", "--end-running", "rom-base=E000", "--new")
    assert "New level of rom-base: E000." in study.out
    assert study.json("study", "show", "s")["document"]["factor"][0]["levels"] == ["C800", "D000", "E000"]


def test_images_enter_by_file_and_are_known_by_their_bytes(study: Commands) -> None:
    """The level is the file's name and the beginning of its SHA-256 (as hashlib gives it); bytes decide."""
    rom = study.folder / "late.bin"
    rom.write_bytes(option_rom(16))
    sha = hashlib.sha256(rom.read_bytes()).hexdigest()
    study("trial", "start", "--end-running", f"rom-image=@{rom}")
    (one,) = study.json("trial", "list")
    assert one["setup"]["rom-image"] == f"late.bin {sha[:8]}"
    copy = study.folder / "copy.bin"
    copy.write_bytes(rom.read_bytes())
    study("trial", "start", "--end-running", "--image", f"rom-image={copy}")
    assert "tried before, in T1: a repeat" in study.out, "the same bytes under another name are the same level"
    study("trial", "start", "--end-running", f"rom-image=burnt@{rom}")
    assert study.json("trial", "list")[-1]["setup"]["rom-image"] == "burnt"
    rom.write_bytes(option_rom(16, seed=2))
    study("trial", "start", "--end-running", f"rom-image=burnt@{rom}", code=2)
    assert f"level 'burnt' of factor 'rom-image' is the image {sha[:12]}" in study.err
    study("trial", "start", "--end-running", f"rom-image=@{study.folder}/none.bin", code=1)
    assert "none.bin: cannot be read" in study.err
    with study.store() as store:
        assert {image.sha256 for image in store.images()} == {sha}


def test_notes_ends_and_the_current_trial(study: Commands) -> None:
    """A note goes to the running trial; an ended one is not current."""
    study("trial", "note", "nothing runs", code=2)
    study("trial", "start", "--end-running", "--note", "first line")
    study("trial", "note", "warm \x1b[31mstart")
    shown = study("trial", "show", "T1")
    assert "first line" in shown and "warm \\x1b[31mstart" in shown and "\x1b" not in shown
    assert study.json("trial", "current")["at286"]["id"] == "T1"
    study("trial", "end")
    assert study("trial", "current") == "No trial is running.\n"
    study("trial", "end", code=2)
    study("trial", "show", "T9", code=2)
    assert "the latest are T1" in study.err


def test_results_by_hand_go_to_the_newest_boot(study: Commands, virtual: VirtualBench) -> None:
    """Without --boot the newest boot of the running trial is meant; a boot can be named by its beginning."""
    study("trial", "result", "video", "pass", code=2)
    study("trial", "start", "--end-running")
    study("trial", "result", "video", "pass", "--new")
    assert "trial T1, no boot" in study.out
    setup = {"rom-base": "C800", "rom-image": "early", "boot-device": "adapter"}
    rest = {"network-card": "none", "storage-card": "first", "slot": "3", "cable": "short"}
    first = virtual.boot({**setup, **rest}, "ready")
    second = virtual.boot({**setup, **rest}, "skipped")
    study("trial", "result", "video", "fail", "--note", "striped")
    assert second.id in study.out
    study("trial", "result", "goal", "fail", "--boot", first.id)
    trial = study.json("trial", "show", "T1")
    assert [(b["boot"], b["ok"]) for b in trial["boots"]] == [(first.id, False), (second.id, False)]
    assert trial["checks"] == {"storage-drive": {"passed": 1, "done": 1}, "video": {"passed": 1, "done": 2}}
    study("trial", "result", "--take-back", "3")
    assert [b["ok"] for b in study.json("trial", "show", "T1")["boots"]] == [True, False]
    for wrong in (["video"], ["video", "maybe"], [], ["video", "pass", "--csv", "x"]):
        study("trial", "result", *wrong, code=2)


def test_results_of_a_test_program(study: Commands, virtual: VirtualBench) -> None:
    """A CSV of checks enters whole or not at all, for the boots it names."""
    study("trial", "start", "--end-running")
    setup = {**{"rom-base": "C800", "rom-image": "early", "boot-device": "adapter"}, "network-card": "none",
             "storage-card": "first", "slot": "3", "cable": "short"}  # fmt: skip
    first, second = (virtual.boot(setup, "ready") for _ in range(2))
    table = f"check,result,boot\nvideo-memory,fail,{first.id}\nvideo-memory,pass,{second.id}\ndma,pass,\n"
    study("trial", "result", "--new", "--csv", study.file("r.csv", table))
    checks = study.json("trial", "show", "T1")["checks"]
    assert checks["video-memory"] == {"passed": 1, "done": 2} and checks["dma"] == {"passed": 1, "done": 1}
    bad = f"check,result,boot\nkeyboard,pass,{first.id}\nkeyboard,pass,nowhere\n"
    study("trial", "result", "--csv", study.file("bad.csv", bad), code=2)
    assert "bad.csv:3: there is no boot 'nowhere'" in study.err
    assert "keyboard" not in study.json("trial", "show", "T1")["checks"]
    study("trial", "result", "--csv", study.file("odd.csv", "test,outcome\na,b\n"), code=2)
    assert "odd.csv:1: the columns are check, result and perhaps boot" in study.err


def test_a_document_that_old_trials_do_not_fit_is_refused(study: Commands) -> None:
    """A level in use cannot be taken out; a factor added later counts as its first level, and that is said."""
    study("trial", "start", "--end-running", "rom-base=D000")
    without = STUDY.replace('["C800", "D000"]', '["C800"]').split("[[exclude]]")[0]
    study("study", "edit", "s", "--whole", "--from", study.file("w.toml", without), code=2)
    assert "trial T1 has level 'D000' of factor 'rom-base'; keep it" in study.err
    study("study", "edit", "s", "--from", study.file("a.toml", '[[factor]]\nname = "slot"\nlevels = [3, 5]\n'))
    trial = study.json("trial", "show", "T1")
    assert trial["setup"]["slot"] == "3" and trial["assumed"] == ["slot"]
    assert study.json("trial", "start", "--end-running")["trial"]["setup"]["slot"] == "3"


def test_the_editor_is_used_and_a_wrong_text_is_kept(study: Commands, monkeypatch: pytest.MonkeyPatch) -> None:
    """$EDITOR changes the document; what does not fit is refused and kept in a file that is named."""
    monkeypatch.delenv("VISUAL", raising=False)
    monkeypatch.setenv("EDITOR", "sed -i s/why/how/")
    study("study", "edit", "s")
    assert study.json("study", "show", "s")["document"]["question"] == "how?"
    monkeypatch.setenv("EDITOR", "true")
    assert "Nothing changed." in study("study", "edit", "s")
    monkeypatch.setenv("EDITOR", "sed -i s/storage-rom//")
    study("study", "edit", "s", code=2)
    kept = Path(study.out.split("kept in ")[1].split(":")[0])
    assert "needs `target`" in study.err and 'target = ""' in kept.read_text()
    kept.unlink()
    monkeypatch.setenv("EDITOR", "false")
    study("study", "edit", "s", code=1)
    monkeypatch.setenv("EDITOR", "/no/such/editor")
    study("study", "edit", "s", code=1)


MAP = """\
[scan]
preset = "pnp-1.0a"
[[window]]
name = "storage rom"
base = "C8000"
size = "8K"
stage = "storage-rom"
[[window]]
name = "network ram"
kind = "ram"
base = "D0000"
size = "16K"
"""
MAPPED = (
    STUDY.replace('machine = "at286"', 'machine = "at286"\nmap = "m.toml"')
    .replace('kind = "jumper"', 'kind = "rom-base"\nwindow = "storage rom"')
    .split("[[exclude]]")[0]
)


def test_the_rom_scan_is_foretold_with_each_trial(benchd: Commands, virtual: VirtualBench) -> None:
    """A study with a map: predicted with the trial, held against its boots, and collisions left out by `next`.

    Outside our own code, by arithmetic: an 8 KiB ROM at D000h ends at D1FFFh, inside D0000h-D3FFFh.
    """
    benchd.file("m.toml", MAP)
    benchd("study", "new", "s", "--from", benchd.file("s.toml", MAPPED))
    out = benchd("trial", "start", "--end-running", "rom-base=D000")
    assert "storage rom and network ram both answer at D0000-D1FFF" in out
    setup = {"rom-base": "D000", "rom-image": "early", "boot-device": "adapter", "network-card": "window-on",
             "storage-card": "first", "slot": "3", "cable": "short"}  # fmt: skip
    boot = virtual.boot(setup, "skipped")
    told = benchd.json("trial", "show", "T1")["agreement"]
    assert (len(told) == 1 and "as predicted" in told[0]) or "could not be told" in told[0], told
    benchd("show", boot.id)
    assert "option-ROM scan, predicted against seen:" in benchd.out
    ranked = benchd.json("next", "s")
    assert ranked and all(one["setup"]["rom-base"] != "D000" for one in ranked)
    assert any(one["setup"]["rom-base"] == "D000" for one in benchd.json("next", "s", "--with-collisions"))
    assert "predicted to collide" in benchd("next", "s")
    evidence = benchd.json("why", "s")["evidence"]
    assert evidence == ["T1: the map foretold that storage rom and network ram collide; it failed"]


def test_a_map_that_is_gone_stops_no_trial(benchd: Commands) -> None:
    """The trial starts all the same, and why there is no prediction is said."""
    path = Path(benchd.file("m.toml", MAP))
    benchd("study", "new", "s", "--from", benchd.file("s.toml", MAPPED))
    path.unlink()
    begun = benchd.json("trial", "start", "--end-running", "rom-base=D000")
    assert begun["prediction"] is None and "m.toml" in begun["notes"][0]
    assert "no prediction" in benchd("next", "s")
