"""A backup made while the daemon runs is a bench again elsewhere: boots, trials, causes, and what came meanwhile."""

from __future__ import annotations

import errno
import io
import json
import os
import tarfile
from collections.abc import Callable
from pathlib import Path

import pytest
from live.by_capture import GOOD, NS, codes, write
from support.daemon import benchd
from support.story import TABLE

from benchd.capture.packed import pack
from benchd.errors import ExternalError, UsageError
from benchd.settings import load_settings
from benchd.sinks.mqtt.outbox import Entry, Outbox
from benchd.store import Store
from benchd.upkeep import backup as backup_module
from benchd.upkeep.backup import back_up
from benchd.upkeep.restore import check_backup, restore
from benchd.vocabulary.records import Annotation
from benchd.watch.replay import Replay

STUDY = """
question = "Why is the card not found?"
machine = "pc"
[goal]
kind = "result-ok"
target = "card-found"

[[factor]]
name = "base"
levels = ["C800", "D000"]

[[factor]]
name = "slot"
levels = ["1", "2"]
"""
MADE = "2026-03-01T20:00:00+01:00"


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A bench with a table and a map of its own, a secret, boots with their capture, a study with trials."""
    folder = tmp_path / "bench"
    captures = folder / "data/captures/pc"
    captures.mkdir(parents=True)
    (folder / "story.toml").write_text(TABLE)
    (folder / "token").write_text("sesame\n")
    (folder / "map.toml").write_text('[[window]]\nname = "card"\nkind = "rom"\nbase = "C8000"\nimage = "card.bin"\n')
    (folder / "card.bin").write_bytes(b"\x55\xaa\x01\xcb" + bytes(508))
    (folder / "bench.toml").write_text(
        '# my bench\n[bench]\nname = "attic"\ndata = "data" # here\n[http]\ntoken_file = "token"\n'
        '[[machine]]\nname = "pc"\nrules = "story.toml"\nmap = "map.toml"\n'
        '[[machine.link]]\nkind = "post"\nport = "/dev/none"\n'
    )
    capture = write(
        captures / "a.pcapng", [*codes(1), *codes(100, GOOD[:4]), Annotation(200 * NS, "end", "stopped")], text=TABLE
    )
    (captures / "stored.json").write_text("{}")
    (captures / "half.part").write_text("never finished")
    with Store.open(folder / "data/benchd.db") as store:
        for boot in Replay([capture]).boots():
            store.save_boot(boot, capture=str(capture))
    return folder


def with_study(folder: Path) -> None:
    (folder / "study.toml").write_text(STUDY)
    benchd("study", "new", "card", "--from", "study.toml", cwd=folder)
    for base, passed in (("C800", "fail"), ("D000", "pass")):
        benchd("trial", "start", f"base={base}", "slot=1", "--study", "card", "--end-running", cwd=folder)
        benchd("trial", "result", "goal", passed, cwd=folder)
    benchd("trial", "end", cwd=folder)


def test_a_restored_bench_says_the_same(bench: Path, tmp_path: Path) -> None:
    """Boots, a boot with its trace, the map and the weighing of causes are as they were, word for word."""
    with_study(bench)
    questions = (["boots", "--json"], ["show", "last", "--trace"], ["map", "pc"], ["why", "card", "--json"])
    before = [benchd(*words, code=None, cwd=bench) for words in questions]
    told = benchd("backup", str(tmp_path / "b.tar.gz"), cwd=bench)
    assert "2 boots and 1 study" in told and "token: may hold a secret" in told
    told = benchd("restore", str(tmp_path / "b.tar.gz"), "--to", str(tmp_path / "new"), cwd=tmp_path)
    assert "backup of attic" in told and "benchd run --config" in told
    assert "a.pcapng" in str(list((tmp_path / "new/data").rglob("*.pcapng")))
    assert not (tmp_path / "new/token").exists() and not list((tmp_path / "new").rglob("*.part"))
    assert (tmp_path / "new/bench.toml").read_text() == (bench / "bench.toml").read_text()
    bench.rename(tmp_path / "gone")  # nothing of the old place is looked at
    after = [benchd(*words, code=None, cwd=tmp_path / "new") for words in questions]
    assert [text.replace(str(tmp_path / "new"), "") for text in after] == [
        text.replace(str(bench), "") for text in before
    ]


def test_a_backup_holds_no_backup(bench: Path) -> None:
    """One that is made in the data folder holds neither itself, nor its own work, nor an earlier one."""
    loaded = load_settings(bench / "bench.toml")
    (bench / "data/old.tar.gz").write_bytes(b"an earlier one")
    back_up(loaded, bench / "data/b.tar", MADE)
    with tarfile.open(bench / "data/b.tar") as tar:
        names = tar.getnames()
    assert sorted(name for name in names if name.startswith("data/")) == [
        "data/captures/pc/a.pcapng", "data/captures/pc/stored.json",
    ]  # fmt: skip


@pytest.mark.parametrize("about", ['{"form": 1, "settings": "bench.toml", "machines": 5}', "[]", '{"form": "x"}'])
def test_a_strange_beginning_is_refused(tmp_path: Path, about: str) -> None:
    """Whatever stands where the description should be, and a folder as a member, ends in words."""
    for members in ([("backup.json", about)], [(".", None), ("backup.json", about)]):
        with tarfile.open(tmp_path / "b.tar", "w") as tar:
            for name, text in members:
                info = tarfile.TarInfo(name)
                info.type = tarfile.DIRTYPE if text is None else tarfile.REGTYPE
                info.size = len(text or "")
                tar.addfile(info, io.BytesIO((text or "").encode()))
        with pytest.raises(ExternalError, match=r"use another backup"):
            check_backup(tmp_path / "b.tar")


def test_a_backup_is_checked_whole(bench: Path, tmp_path: Path) -> None:
    """Any byte that differs is found, wherever it lies in a file's content; so is an end that is missing."""
    back_up(load_settings(bench / "bench.toml"), tmp_path / "b.tar", MADE)
    good = (tmp_path / "b.tar").read_bytes()
    assert check_backup(tmp_path / "b.tar").machines == ("pc",)
    with tarfile.open(tmp_path / "b.tar") as tar:
        places = [(m.name, m.offset_data + m.size // 2) for m in tar if m.size]
        end = max(m.offset_data + m.size for m in tar.getmembers())  # tar's own blocks of zeros come after it
    assert {"store.db", "settings/bench.toml", "data/captures/pc/a.pcapng"} <= {name for name, _ in places}
    for name, place in places:
        (tmp_path / "bad.tar").write_bytes(good[:place] + bytes([good[place] ^ 0x10]) + good[place + 1 :])
        with pytest.raises(ExternalError, match=r"damaged|holds no"):
            restore(tmp_path / "bad.tar", tmp_path / "new")
        assert not (tmp_path / "new").exists(), name
    for cut in [*range(0, end, 5000), end - 1]:
        (tmp_path / "bad.tar").write_bytes(good[:cut])
        with pytest.raises((ExternalError, UsageError), match=r"cut short|cannot be read|no backup"):
            restore(tmp_path / "bad.tar", tmp_path / "new")
    assert not list(tmp_path.glob(".benchd*")), "nothing half done is left"


@pytest.mark.parametrize("name", ["../../evil", "/etc/evil", "data/../../evil", "other/evil"])
def test_a_name_that_leads_out_is_refused(tmp_path: Path, name: str) -> None:
    """A tar file from a stranger writes nowhere but into the new folder."""
    with tarfile.open(tmp_path / "b.tar", "w") as tar:
        for member, data in (("backup.json", b'{"form": 1, "settings": "bench.toml"}'), (name, b"x")):
            info = tarfile.TarInfo(member)
            info.size = len(data)
            tar.addfile(info, io.BytesIO(data))
    with pytest.raises(ExternalError, match="nothing that a backup holds"):
        restore(tmp_path / "b.tar", tmp_path / "new/inner")
    assert not list(tmp_path.rglob("evil"))


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda f: back_up(load_settings(f / "bench.toml"), f / "b.zip", MADE), "end its name in .tar"),
        (lambda f: back_up(load_settings(f / "bench.toml"), f / "none/b.tar", MADE), "directory does not exist"),
        (lambda f: back_up(load_settings(f / "bench.toml"), f / "b.tar", MADE) and (f / "b.tar").touch(), ""),
        (lambda f: restore(f / "none.tar", f / "new"), "No such file"),
        (lambda f: restore(f / "token", f / "new"), "is no backup, or its beginning is damaged"),
        (lambda f: restore(f / "b.tar", f), "is there and not empty"),
    ],
)
def test_what_is_wrong_is_said(bench: Path, make: Callable[[Path], object], says: str) -> None:
    """In words, with the name of the file; an older backup is never written over."""
    if not says:
        make(bench)
        with pytest.raises(UsageError, match="never written over"):
            make(bench)
        return
    with pytest.raises((UsageError, ExternalError), match=says):
        make(bench)
    assert not list(bench.glob("*.part"))


def test_a_newer_form_is_refused(tmp_path: Path) -> None:
    """A backup of a later benchd is not half understood."""
    with tarfile.open(tmp_path / "b.tar", "w") as tar:
        data = json.dumps({"form": 2, "benchd": "9.0", "settings": "bench.toml"}).encode()
        info = tarfile.TarInfo("backup.json")
        info.size = len(data)
        tar.addfile(info, io.BytesIO(data))
    with pytest.raises(UsageError, match=r"benchd 9\.0"):
        check_backup(tmp_path / "b.tar")


@pytest.mark.peer("postgresql")
def test_a_server_that_cannot_be_filled_leaves_nothing(
    bench: Path, tmp_path: Path, cluster, monkeypatch: pytest.MonkeyPatch
) -> None:  # type: ignore[no-untyped-def]
    """The database is filled once the folder is in place; where that fails both are as before, and a second try goes.

    Settings with the address, which may hold a password, are for their owner's eyes alone.
    """
    back_up(load_settings(bench / "bench.toml"), tmp_path / "b.tar", MADE)
    url, folder = cluster.new_database(), tmp_path / "new"
    fill = Store.fill_from

    def cut(store: Store, path: Path) -> int:
        assert (folder / "bench.toml").exists()
        raise ExternalError("the server went away")

    monkeypatch.setattr(Store, "fill_from", cut)
    with pytest.raises(ExternalError, match="went away"):
        restore(tmp_path / "b.tar", folder, url)
    assert not folder.exists()
    monkeypatch.setattr(Store, "fill_from", fill)
    restore(tmp_path / "b.tar", folder, url)
    assert (folder / "bench.toml").stat().st_mode & 0o777 == 0o600 and url in (folder / "bench.toml").read_text()
    assert not list(folder.rglob("*.db"))
    with Store.open(url) as store:
        assert len(store.boots()) == 2
    with pytest.raises(UsageError, match="not empty"):
        restore(tmp_path / "b.tar", tmp_path / "other", url)
    assert not (tmp_path / "other").exists()


def test_a_capture_compressed_while_it_is_copied_is_in_the_copy(bench: Path, tmp_path: Path) -> None:
    """The daemon may compress one between the listing and its turn: the backup has it, as it lies then."""
    capture = bench / "data/captures/pc/a.pcapng"
    opened = Path.open

    def packing(path: Path, *words: object, **named: object) -> object:
        if path == capture and capture.exists():
            pack(capture)
        return opened(path, *words, **named)  # type: ignore[call-overload]

    before = Replay([capture]).boots()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Path, "open", packing)
        done = back_up(load_settings(bench / "bench.toml"), tmp_path / "b.tar", MADE)
    assert not any("taken away" in text for text in done.left_out)
    restore(tmp_path / "b.tar", tmp_path / "new")
    assert [path.name for path in (tmp_path / "new/data/captures/pc").glob("a*")] == ["a.pcapng.gz"]
    assert Replay([tmp_path / "new/data/captures/pc/a.pcapng"]).boots() == before


@pytest.mark.peer("postgresql")
def test_to_a_server_and_back(bench: Path, tmp_path: Path, cluster) -> None:  # type: ignore[no-untyped-def]
    """A bench goes from its file into PostgreSQL, is backed up from there, and is the same in a file again."""
    with_study(bench)
    questions = (["boots", "--json"], ["why", "card", "--json"], ["trial", "list", "--json"])
    before = [benchd(*words, cwd=bench) for words in questions]
    benchd("backup", str(tmp_path / "b.tar"), cwd=bench)
    url = cluster.new_database()
    benchd("restore", str(tmp_path / "b.tar"), "--to", str(tmp_path / "served"), "--store", url, cwd=tmp_path)
    assert not list((tmp_path / "served").rglob("*.db"))
    assert [benchd(*words, cwd=tmp_path / "served") for words in questions] == before
    told = benchd("trial", "start", "base=C800", "slot=2", cwd=tmp_path / "served")
    assert "T3" in told, "numbers go on after the copied ones"
    benchd("trial", "result", "goal", "fail", cwd=tmp_path / "served")
    benchd("restore", str(tmp_path / "b.tar"), "--to", str(tmp_path / "x"), "--store", url, code=2, cwd=tmp_path)
    benchd("backup", str(tmp_path / "c.tar"), cwd=tmp_path / "served")
    after = [benchd(*words, cwd=tmp_path / "served") for words in questions]
    benchd("restore", str(tmp_path / "c.tar"), "--to", str(tmp_path / "filed"), cwd=tmp_path)
    assert "postgresql" not in (tmp_path / "filed/bench.toml").read_text()
    assert [benchd(*words, cwd=tmp_path / "filed") for words in questions] == after != before


def test_a_restored_outbox_numbers_anew(bench: Path, tmp_path: Path) -> None:
    """The bench went on after the backup and gave the next numbers: the copy gives its own, under another id.

    What waits in it is sent, and what an archive was told counts as told no more.
    """
    box = Outbox(bench / "data/outbox.db", archive=True)
    box.begin(7)
    box.append([Entry("stage", "t/stage", {"n": 1}, 1)])
    box.close()
    back_up(load_settings(bench / "bench.toml"), tmp_path / "b.tar.gz", MADE)
    restore(tmp_path / "b.tar.gz", tmp_path / "other")
    copy = Outbox(tmp_path / "other/data/outbox.db", archive=True)
    (waiting,) = copy.peek()
    assert copy.id != box.id and waiting.seq == 1 and json.loads(waiting.payload)["id"] == f"{copy.id}-1"
    assert copy.untold(7)
    copy.close()
    again = Outbox(bench / "data/outbox.db", archive=True)
    assert again.id == box.id and not again.untold(7) and again.untold(6)
    again.close()


def test_a_text_is_no_backup_and_a_full_disk_is_told(
    bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One sentence each, without the words of libraries."""
    notes = tmp_path / "notes.md"
    notes.write_text("# no archive\n")
    with pytest.raises(ExternalError) as caught:
        check_backup(notes)
    assert str(caught.value) == (
        f"{notes} is no backup, or its beginning is damaged: name a file that `benchd backup` wrote"
    )

    def full(fd: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(backup_module.os, "fsync", full)
    with pytest.raises(ExternalError, match="failed: the disk is full; check the disk and free space"):
        back_up(load_settings(bench / "bench.toml"), tmp_path / "b.tar", MADE)
