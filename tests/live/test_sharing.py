"""Boots handed from bench to bench by the commands: exported, played, imported twice, told apart, taken out again."""

from __future__ import annotations

import io
import json
import re
import shutil
import subprocess
import zipfile
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from live.by_capture import GOOD, NS, codes, write
from support.story import TABLE
from typer.testing import CliRunner

from benchd.capture import read_capture
from benchd.cli import sharing
from benchd.cli.main import build
from benchd.errors import BenchError, UsageError
from benchd.store import Result, Store, StoredStudy
from benchd.vocabulary.models import Boot
from benchd.vocabulary.records import Annotation, Chunk
from benchd.watch.archive import MOST_CAPTURES, opened
from benchd.watch.rebuild import as_ended, boots_in
from benchd.watch.replay import Replay

WHEN = "2026-03-01T20:15:00+01:00"


class Bench:
    """A folder with settings and a store; commands run in this process."""

    def __init__(self, folder: Path, machine: str = "pc") -> None:
        folder.mkdir()
        self.folder = folder
        (folder / "story.toml").write_text(TABLE)
        link = '[[machine.link]]\nkind = "post"\nport = "/dev/none"\n'
        (folder / "bench.toml").write_text(f'[[machine]]\nname = "{machine}"\nrules = "story.toml"\n{link}')
        self.store = Store.open(str(folder / "data/benchd.db"), create=True, data=folder / "data")

    def evening(self, machine: str = "pc", trial: str = "") -> list[Boot]:
        """Three boots in one capture: two good ones, and one that stalls."""
        records = [Annotation(NS // 2, "trial", trial), *codes(1), *codes(60), *codes(120, GOOD[:4])]
        end = Annotation(200 * NS, "end", "stopped")
        path = write(self.folder / f"data/captures/{machine}/a.pcapng", [*records, end], machine=machine, text=TABLE)
        found = [(as_ended(boot), path) for boot, path in boots_in(Replay([path]), [])]
        for boot, path in found:
            self.store.save_boot(boot, capture=str(path))
        return [boot for boot, _ in found]

    def run(self, *words: str | Path, code: int = 0) -> str:
        config = () if words[0] == "replay" else ("--config", str(self.folder / "bench.toml"))
        result = CliRunner().invoke(build(), [*map(str, words), *config])
        if isinstance(result.exception, BenchError):
            raise result.exception
        assert result.exit_code == code, (result.output, result.exception)
        return result.stdout

    def json(self, *words: str | Path, code: int = 0) -> Any:
        return json.loads(self.run(*words, "--json", code=code))


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    (tmp_path / "here").parent.mkdir(exist_ok=True)
    return Bench(tmp_path / "here")


@pytest.fixture
def other(tmp_path: Path) -> Bench:
    return Bench(tmp_path / "there")


def same(one: dict[str, Any], other: dict[str, Any]) -> bool:
    left_out = {"id", "machine", "imported", "trial"}
    return {k: v for k, v in one.items() if k not in left_out} == {k: v for k, v in other.items() if k not in left_out}


def test_a_boot_goes_to_another_bench_and_is_the_same(bench: Bench, other: Bench, tmp_path: Path) -> None:
    """Played from the file and imported it is the record that it is here; importing again changes nothing."""
    boots = bench.evening()
    said = bench.run("boots", "export", boots[2].id, "--out", tmp_path / "b.pcapng")
    assert "b.pcapng: 1 boot" in said and "\nscrubbed: names of the machine" in said and "\nnot scrubbed: " in said
    (played,) = other.json("replay", tmp_path / "b.pcapng")
    assert same(played, boots[2].model_dump(mode="json", by_alias=True)) and played["outcome"] == "stalled"
    done = other.json("boots", "import", tmp_path / "b.pcapng")
    assert len(done["imported"]) == 1 and done["known"] == []
    (listed,) = other.json("boots")
    assert same(listed, played) and listed["imported"] is True and listed["machine"].startswith("machine-")
    again = other.json("boots", "import", tmp_path / "b.pcapng")
    assert again["imported"] == [] and again["known"] == done["imported"]
    assert other.json("boots") == [listed] and len(list(other.folder.glob("data/imported/other/*/*.pcapng"))) == 1
    assert "STALLED, imported" in other.run("boots")
    shown = other.run("show", "last", "--trace", code=1)
    assert "imported from another bench" in shown and "rom-never-returns" in shown and "40" in shown


def test_several_boots_go_in_an_archive(bench: Bench, other: Bench, tmp_path: Path) -> None:
    """One archive, played and imported as one file; a plain file for several is refused, and so is an overwrite."""
    boots = bench.evening()
    ids = [boot.id for boot in boots]
    with pytest.raises(UsageError, match=r"ends in \.zip"):
        bench.run("boots", "export", *ids, "--out", tmp_path / "b.pcapng")
    bench.run("boots", "export", *ids, "--out", tmp_path / "b.zip", "--machine", "at286")
    with pytest.raises(UsageError, match="--force"):
        bench.run("boots", "export", *ids, "--out", tmp_path / "b.zip")
    played = other.json("replay", tmp_path / "b.zip")
    assert [same(one, boot.model_dump(mode="json", by_alias=True)) for one, boot in zip(played, boots, strict=True)]
    assert {one["machine"] for one in played} == {"at286"}
    assert len(other.json("boots", "import", tmp_path / "b.zip")["imported"]) == 3
    assert [one["outcome"] for one in other.json("boots")] == ["finished", "finished", "stalled"]


def test_what_comes_along_is_chosen(bench: Bench, other: Bench, tmp_path: Path) -> None:
    """Results, notes, trial and study stay here unless they are asked for; folders in notes go out of them."""
    bench.store.save_study(StoredStudy(name="storage", created=WHEN, edited=WHEN))
    trial = bench.store.start_trial(
        study="storage", machine="pc", setup={"base": "D000"}, changed={}, started=WHEN, note="see /home/bob/notes.txt"
    )
    boots = bench.evening(trial=trial.id)
    assert boots[0].trial == trial.id
    bench.store.add_result(
        Result(trial=trial.id, boot=boots[0].id, check="video", passed=False, note="dim", entered=WHEN)
    )
    bench.run("boots", "export", boots[0].id, "--out", tmp_path / "plain.pcapng")
    data = (tmp_path / "plain.pcapng").read_bytes()
    assert not any(word in data for word in (b'storage"', b"T1", b"dim", b"notes.txt", b"video", b"D000"))
    bench.run("boots", "export", boots[0].id, "--out", tmp_path / "b.pcapng", "--results", "--notes", "--labels")
    assert b"bob" not in (tmp_path / "b.pcapng").read_bytes()
    for _ in range(2):
        other.run("boots", "import", tmp_path / "b.pcapng")
    (listed,) = other.json("boots")
    assert listed["trial"] is None
    ((result,),) = [other.store.results(boot=listed["id"])]
    assert (result.check, result.passed, result.note, result.trial) == ("video", False, "(imported) dim", None)
    shown = other.run("show", "last")
    assert "there in trial T1 of study storage" in shown and "base=D000" in shown and "see notes.txt" in shown
    other.run("boots", "remove", listed["id"])
    assert other.json("boots") == [] and other.store.results(boot=listed["id"]) == []
    assert not list(other.folder.glob("data/imported/**/*.pcapng*"))
    assert len(other.json("boots", "import", tmp_path / "b.pcapng")["imported"]) == 1


def test_a_name_that_is_taken_and_what_limits_are_learned_from(bench: Bench, other: Bench, tmp_path: Path) -> None:
    """A stranger's machine does not become this bench's own; the bench's own comes back as itself if it is said so."""
    ids = [boot.id for boot in bench.evening()]
    bench.run("boots", "export", *ids, "--out", tmp_path / "b.zip", "--machine", "pc")
    with pytest.raises(UsageError, match=r"a machine of this bench is called 'pc': give .* --machine NAME"):
        other.run("boots", "import", tmp_path / "b.zip")
    other.run("boots", "import", tmp_path / "b.zip", "--machine", "guest")
    assert other.store.good_times("guest", "story") == {}, "it counts for nobody, even under that name"
    with pytest.raises(UsageError, match="no machine of this bench is called 'nobody'"):
        other.run("boots", "import", tmp_path / "b.zip", "--machine", "nobody", "--same-machine")
    other.run("boots", "import", tmp_path / "b.zip", "--same-machine")
    assert len(other.store.good_times("pc", "story")["memory"]) == 2
    third = Bench(tmp_path / "third")
    ids = [boot.id for boot in third.evening()]
    third.run("boots", "export", ids[0], "--out", tmp_path / "c.pcapng", "--machine", "guest")
    with pytest.raises(UsageError, match="boots of another bench's 'guest' are here already"):
        other.run("boots", "import", tmp_path / "c.pcapng")


def test_only_imported_boots_are_removed(bench: Bench) -> None:
    """What this bench recorded stays, whoever asks."""
    boots = bench.evening()
    with pytest.raises(UsageError, match="was recorded on this bench"):
        bench.run("boots", "remove", boots[0].id)
    assert len(bench.json("boots")) == 3


def test_last_is_removed_like_any_other(bench: Bench, other: Bench, tmp_path: Path) -> None:
    boots = bench.evening()
    bench.run("boots", "export", boots[0].id, "--out", tmp_path / "b.pcapng")
    done = other.json("boots", "import", tmp_path / "b.pcapng")
    assert other.json("boots", "remove", "last") == {"removed": done["imported"]} and other.json("boots") == []


def test_its_own_boot_imported_again_is_known(bench: Bench, tmp_path: Path) -> None:
    """The boot of this bench is not replaced by what comes back of it."""
    boots = bench.evening()
    bench.run("boots", "export", boots[0].id, "--out", tmp_path / "b.pcapng", "--machine", "pc")
    done = bench.json("boots", "import", tmp_path / "b.pcapng", "--same-machine")
    assert done["known"] == [boots[0].id] and not any(boot.get("imported") for boot in bench.json("boots"))


def test_imported_again_as_the_same_machine_leaves_nothing_behind(bench: Bench, other: Bench, tmp_path: Path) -> None:
    """The boot is known, so no second copy of its capture stays; and a rebuild finds imported boots by themselves."""
    boots = bench.evening()
    bench.run("boots", "export", boots[2].id, "--out", tmp_path / "b.pcapng", "--machine", "pc")
    other.json("boots", "import", tmp_path / "b.pcapng", "--machine", "theirs")
    other.evening()
    before = other.json("boots")
    other.json("boots", "import", tmp_path / "b.pcapng", "--machine", "theirs")
    bench.json("boots", "import", tmp_path / "b.pcapng", "--same-machine")
    assert not list(bench.folder.glob("data/imported/*/*/*.pcapng*"))
    assert len(list(other.folder.glob("data/imported/*/*/*.pcapng"))) == 1
    other.store.replace_boots({one["id"]: None for one in before})
    assert other.json("boots") == []
    other.run("boots", "rebuild")
    assert other.json("boots") == before and sum(one.get("imported", False) for one in before) == 1


def test_what_was_written_on_a_removed_boot_is_said_and_comes_back(bench: Bench, other: Bench, tmp_path: Path) -> None:
    boots = bench.evening()
    bench.run("boots", "export", boots[0].id, "--out", tmp_path / "b.pcapng")
    (there,) = other.json("boots", "import", tmp_path / "b.pcapng")["imported"]
    other.run("boots", "note", there, "like ours")
    assert "stays: imported again" in other.run("boots", "remove", there)
    other.json("boots", "import", tmp_path / "b.pcapng")
    assert other.json("boots")[0]["note"] == "like ours"


@pytest.mark.parametrize("name", ["", "x" * 65, "two\nlines", "\x1b[2J"])
def test_a_name_that_no_machine_can_have(bench: Bench, other: Bench, tmp_path: Path, name: str) -> None:
    """As in the settings: 1 to 64 characters that can be shown."""
    bench.run("boots", "export", bench.evening()[0].id, "--out", tmp_path / "b.pcapng")
    with pytest.raises(UsageError, match="cannot be a machine's name"):
        other.run("boots", "import", tmp_path / "b.pcapng", "--machine", name)
    assert not (other.folder / "data/imported").exists()


def test_wrong_use_is_told(bench: Bench, tmp_path: Path) -> None:
    """One kind of output, boots for it, names for one machine."""
    boots = bench.evening() + bench.evening("second")
    ids = [boot.id for boot in boots]
    for words, says in (
        ((ids[0],), "give one of --out, --parquet and --vcd"),
        (("--out", "x.zip"), "name the boots to export"),
        ((ids[0], "--vcd", "x.vcd", "--notes"), "go with --out"),
        ((ids[0], ids[1], "--vcd", "x.vcd"), "--vcd takes one boot"),
        ((ids[0], ids[-1], "--out", "x.zip", "--machine", "y"), "of several machines"),
    ):
        with pytest.raises(UsageError, match=says):
            bench.run("boots", "export", *words)
    assert not Path("x.zip").exists() and not Path("x.vcd").exists()


def test_archives_are_not_trusted(tmp_path: Path) -> None:
    """Names in an archive lead nowhere; damage, too much and nothing are refused in words."""
    capture = write(tmp_path / "a.pcapng", codes(1), text=TABLE)

    def archive(*members: tuple[str, bytes]) -> Path:
        data = io.BytesIO()
        with zipfile.ZipFile(data, "w") as out:
            for name, content in members:
                out.writestr(name, content)
        (tmp_path / "b.zip").write_bytes(data.getvalue())
        return tmp_path / "b.zip"

    with opened([archive(("../../evil.pcapng", capture.read_bytes())), capture]) as paths:
        assert len(Replay(paths[:1]).boots()) == 1 and paths[1] == capture
        assert not (tmp_path.parent.parent / "evil.pcapng").exists() and paths[0].parent.exists()
    assert not paths[0].exists()
    for members, says in (
        ([("a.txt", b"hello")], "an archive without captures"),
        ([(f"{n}.pcapng", b"") for n in range(MOST_CAPTURES + 1)], "at most 1,000 of"),
    ):
        with pytest.raises(UsageError, match=says), opened([archive(*members)]):
            pass
    good = archive(("a.pcapng", capture.read_bytes())).read_bytes()
    (tmp_path / "b.zip").write_bytes(good[: len(good) // 2])
    with pytest.raises(UsageError, match="an archive that cannot be read"), opened([tmp_path / "b.zip"]):
        pass


def test_a_capture_that_breaks_off_is_told_at_each_import(other: Bench, bench: Bench, tmp_path: Path) -> None:
    """What is whole comes in; the offset and the exit code are those of the replay, also the second time."""
    bench.evening()
    whole = (bench.folder / "data/captures/pc/a.pcapng").read_bytes()
    for size, boots in ((len(whole) - 10, 3), (900, 0)):
        cut = tmp_path / f"cut{size}.pcapng"
        cut.write_bytes(whole[:size])
        for first in (True, False):
            done = other.json("boots", "import", "--machine", f"m{size}", cut, code=1)
            assert len(done["imported"]) == boots * first, size
            (told,) = done["problems"]
            assert str(cut) in told and "breaks off at offset" in told


def test_a_friend_without_a_bench_is_told_the_line_that_lets_an_import_in(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without settings the refusal holds what to type; once it was typed the boot comes in, is listed and shown."""
    bench.run("boots", "export", bench.evening()[0].id, "--out", tmp_path / "b.pcapng")
    (tmp_path / "friend").mkdir()
    monkeypatch.chdir(tmp_path / "friend")
    monkeypatch.delenv("BENCHD_CONFIG", raising=False)
    refused = CliRunner().invoke(build(), ["boots", "import", str(tmp_path / "b.pcapng")])
    (command,) = re.findall("`(echo [^`]*)`", str(refused.exception))
    subprocess.run(["sh", "-c", command], check=True)
    done = CliRunner().invoke(build(), ["boots", "import", str(tmp_path / "b.pcapng")])
    assert done.exit_code == 0 and "1 boot imported" in done.stdout
    shown = CliRunner().invoke(build(), ["show", "last"])
    assert shown.exit_code == 0 and "finished" in shown.stdout


def test_all_boots_of_an_imported_machine_go_at_once(bench: Bench, other: Bench) -> None:
    """Those that were imported of it, no others; their capture goes too; nothing meant is said."""
    mine, path = other.evening(), bench.folder / "data/captures/pc/a.pcapng"
    bench.evening()
    for name in ("friend-pc", "club-pc"):
        assert len(other.json("boots", "import", "--machine", name, path)["imported"]) == 3
    assert len(other.json("boots", "remove", "--machine", "friend-pc")["removed"]) == 3
    left = {one["machine"] for one in other.json("boots")}
    assert left == {"pc", "club-pc"} and not list(other.folder.glob("data/imported/other/friend-pc/*.pcapng"))
    for words in ((), ("--machine", "pc"), (mine[0].id, "--machine", "club-pc")):
        with pytest.raises(UsageError, match="boots"):
            other.run("boots", "remove", *words)
    assert len(other.json("boots")) == len(mine) + 3


def test_all_boots_of_an_imported_file_go_at_once(bench: Bench, other: Bench) -> None:
    """Those that came from it, under each name that it was imported with; another file's stay; its name may change."""
    mine, path = other.evening(), bench.folder / "data/captures/pc/a.pcapng"
    boots = bench.evening()
    one = bench.folder / "one.pcapng"
    bench.run("boots", "export", boots[0].id, "--out", one)
    other.run("boots", "import", "--machine", "single-pc", one)
    for name in ("friend-pc", "club-pc"):
        other.run("boots", "import", "--machine", name, path)
    renamed = path.rename(path.with_name("evening.pcapng"))
    assert len(other.json("boots", "remove", "--file", renamed)["removed"]) == 6
    assert {found["machine"] for found in other.json("boots")} == {"pc", "single-pc"}
    with pytest.raises(UsageError, match=r"no boot here came from .*evening\.pcapng"):
        other.run("boots", "remove", "--file", renamed)
    with pytest.raises(UsageError, match="there is no such file"):
        other.run("boots", "remove", "--file", "gone.pcapng")
    assert len(other.json("boots")) == len(mine) + 1


def test_a_name_that_promises_text_is_remarked(bench: Bench, tmp_path: Path) -> None:
    """A capture goes into any file; where the name says text, what it is is said."""
    boots = bench.evening()
    assert "is a capture (pcapng), no text" in bench.run("boots", "export", boots[0].id, "--out", tmp_path / "one.txt")
    assert "no text" not in bench.run("boots", "export", boots[0].id, "--out", tmp_path / "one.pcapng")


def test_further_boots_in_a_file_are_named(bench: Bench) -> None:
    """By their ids here, the first few."""
    (boot, *_) = bench.evening()
    (told,) = sharing._remarks(boot, SimpleNamespace(others=("pc-1", "pc-2"), off_s=0.0))  # type: ignore[arg-type]
    assert told.endswith("2 further boots are in the file, without which it cannot be judged as it was: pc-1, pc-2")
    (told,) = sharing._remarks(boot, SimpleNamespace(others=tuple("abcdefg"), off_s=0.0))  # type: ignore[arg-type]
    assert told.endswith("a, b, c, d, e, ...")


def test_what_damage_in_the_midst_spared_is_imported(bench: Bench, other: Bench, tmp_path: Path) -> None:
    """All boots but the one that it struck are as they were; that one is marked; what was not read is told, exit 1."""
    boots = bench.evening()
    path = tmp_path / "a.pcapng"
    shutil.copyfile(bench.folder / "data/captures/pc/a.pcapng", path)
    data = bytearray(path.read_bytes())
    places = [at for at, record in read_capture(path).placed() if isinstance(record, Chunk)]
    at = places[len(places) // 2]
    data[at + 4 : at + 24] = b"\xa5" * 20
    path.write_bytes(data)
    for words in (("replay", path), ("boots", "import", "--machine", "friend-pc", path)):
        other.run(*words, code=1)
    there = other.json("boots")
    assert len(there) == len(boots)
    struck = [one for one in there if one.get("lost")]
    assert len(struck) == 1 and [span["why"] for span in struck[0]["blind"]] == ["lossy"]
    outcomes = [boot.outcome for boot in sorted(boots, key=lambda boot: boot.started)]
    assert [one["outcome"] for one in there] == outcomes
