"""Replay: captures become boots; which table judges them, in which order files are read, what breaks off."""

from __future__ import annotations

import random
import struct
from pathlib import Path

import pytest
from live.by_capture import GOOD, NS, codes, write
from support.story import TABLE

from benchd.boots.limits import Limit
from benchd.capture import read_capture
from benchd.errors import ExternalError, UsageError
from benchd.tomlfile import FileProblems
from benchd.vocabulary.events import CodeSeen, LineSeen
from benchd.vocabulary.records import Annotation, Chunk, LinkInfo
from benchd.watch.replay import Replay, news, run_files
from benchd.watch.trace import TraceReader, all_boots

END = [Annotation(500 * NS, "end", "stopped")]
OTHER = TABLE.replace('"rom-scan"', '"adapters"')


def stages(replay: Replay) -> list[list[str]]:
    return [[stage.name for stage in boot.stages] for boot in replay.boots()]


def test_the_table_in_the_capture_judges(tmp_path: Path) -> None:
    """A capture that carries its table needs nothing else: it may be mailed."""
    path = write(tmp_path / "a.pcapng", codes(1) + END, text=TABLE)
    replay = Replay([path], base=tmp_path / "nowhere")
    (boot,) = replay.boots()
    assert boot.outcome == "finished" and boot.started.startswith("2025-06-15T15:06:41")
    assert stages(replay) == [["early", "memory", "rom-scan", "hand-over"]] and replay.problems == []


def test_another_table_may_be_asked_for(tmp_path: Path) -> None:
    """`rules` is a path or a name from `base`, and goes before the capture's own."""
    path = write(tmp_path / "a.pcapng", codes(1) + END, text=TABLE)
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules/other.toml").write_text(OTHER)
    for rules in ("other", str(tmp_path / "rules/other.toml")):
        assert stages(Replay([path], rules, tmp_path)) == [["early", "memory", "adapters", "hand-over"]]


def test_a_capture_that_only_names_its_table(tmp_path: Path) -> None:
    """The table is looked for by that name; without it the caller is told what there is."""
    path = write(tmp_path / "a.pcapng", codes(1) + END)
    with pytest.raises(UsageError, match="no rule table 'story'"):
        Replay([path], base=tmp_path).boots()
    (tmp_path / "story.toml").write_text(TABLE)
    assert len(Replay([path], base=tmp_path, rules="story.toml").boots()) == 1
    (tmp_path / "rules").mkdir()
    (tmp_path / "story.toml").rename(tmp_path / "rules/story.toml")
    assert len(Replay([path], base=tmp_path).boots()) == 1


def test_a_broken_table_in_a_capture_is_told_with_its_line(tmp_path: Path) -> None:
    """The place named is the capture and the line of the table in it."""
    broken = TABLE.replace("limit =", "limmit =")
    path = write(tmp_path / "a.pcapng", codes(1), text=broken)
    line = next(n for n, text in enumerate(broken.splitlines(), 1) if "limmit" in text)
    with pytest.raises(FileProblems, match=rf"a\.pcapng \(the table in it\):{line}: "):
        Replay([path]).boots()


def test_files_of_one_run_are_read_on(tmp_path: Path) -> None:
    """A boot that goes over the end of a file is one boot; names, dates and the order given do not matter."""
    whole = codes(1)
    first = write(tmp_path / "20250615-150641.pcapng", whole[:2], text=TABLE)
    again = [Annotation(whole[2].t_ns, "again", "1"), Annotation(whole[2].t_ns, "trial", "")]
    second = write(tmp_path / "20250615-150641-2.pcapng", again + whole[2:4], text=TABLE)
    third = write(tmp_path / "20250615-150641-10.pcapng", whole[4:] + END, text=TABLE)
    for files in ([first, second, third], [third, first, second]):
        replay = Replay(files)
        (boot,) = replay.boots()
        assert boot.outcome == "finished" and boot.codes == 5 and replay.problems == []
    assert (
        boot.model_dump() == Replay([write(tmp_path / "whole.pcapng", whole + END, text=TABLE)]).boots()[0].model_dump()
    )
    assert run_files([third, second, first]) == [first, second, third]


def test_news_leaves_out_what_is_repeated(tmp_path: Path) -> None:
    """The note says how many records repeat what was in force; a number that is none is ignored."""
    head = [
        Annotation(1, "table", "x"),
        Annotation(1, "again", "2"),
        Annotation(1, "trial", "a"),
        Annotation(1, "phase", "over"),
    ]
    path = write(tmp_path / "a.pcapng", [*head, *codes(1)])
    from benchd.capture import read_capture

    assert [r for _, r in news(read_capture(path))] == [Annotation(1, "table", "x"), *codes(1)]
    odd = write(tmp_path / "b.pcapng", [Annotation(1, "again", "-1"), *codes(1)])
    assert [r for _, r in news(read_capture(odd))][-5:] == codes(1)


def test_a_damaged_number_of_repeats_takes_nothing_away(tmp_path: Path) -> None:
    """One flipped byte makes 1 of it 9: what came over the wire, or later, is no repetition."""
    whole = codes(1)
    first = write(tmp_path / "a.pcapng", whole[:2], text=TABLE)
    again = [Annotation(whole[2].t_ns, "again", "9"), Annotation(whole[2].t_ns, "trial", "")]
    second = write(tmp_path / "b.pcapng", again + whole[2:] + END, text=TABLE)
    (boot,) = Replay([first, second]).boots()
    assert boot.outcome == "finished" and boot.codes == 5


LIMIT = "memory=2.5:learned-normal:7"


@pytest.mark.parametrize("place", range(len(LIMIT)))
def test_a_damaged_limit_is_left_out_and_told(tmp_path: Path, place: int) -> None:
    """Any one byte of a `limit` note flipped: the boots are there, and what is no limit is told with its offset."""
    for bit in range(8):
        damaged = LIMIT[:place] + chr(ord(LIMIT[place]) ^ 1 << bit) + LIMIT[place + 1 :]
        path = tmp_path / f"{bit}.pcapng"
        write(path, [Annotation(NS, "limit", damaged), *codes(1), *END], text=TABLE)
        replay = Replay([path])
        (boot,) = replay.boots()
        assert boot.codes == 5
        try:
            seconds = float(Limit.from_label(damaged)[1].seconds)
        except ValueError:
            seconds = 0.0
        if seconds > 0:
            assert replay.problems == []
        else:
            (offset,) = (at for at, r in replay.captures[0].placed() if isinstance(r, Annotation) and r.key == "limit")
            assert replay.problems == [f"{path}: at offset {offset}: a limit that is none, left out: {damaged!r:.60}"]


@pytest.mark.parametrize("value", ["memory=nan:learned-normal:7", "memory=inf:learned-normal:7", "", "=", "a=1:b:c"])
def test_numbers_that_are_no_limit(tmp_path: Path, value: str) -> None:
    """Not a number, endless, empty: left out."""
    path = write(tmp_path / "a.pcapng", [Annotation(NS, "limit", value), *codes(1), *END], text=TABLE)
    replay = Replay([path])
    assert len(replay.boots()) == 1 and "a limit that is none" in replay.problems[0]


def test_runs_and_machines_are_apart(tmp_path: Path) -> None:
    """Two runs of a machine and another machine: each judged by itself, all boots in order of start."""
    cut = write(tmp_path / "cut.pcapng", codes(1, GOOD[:3]), text=TABLE)
    later = write(tmp_path / "later.pcapng", codes(1001), run=1, text=TABLE)
    other = write(tmp_path / "other.pcapng", codes(2), machine="other", text=TABLE)
    boots = Replay([later, other, cut]).boots()
    assert [(b.machine, b.codes) for b in boots] == [("pc", 3), ("other", 5), ("pc", 5)]
    assert run_files([cut, later]) == [later]


def test_the_newest_run_is_by_number_not_by_the_clock(tmp_path: Path) -> None:
    """A run that was killed with its clock set back is the newest; captures without numbers are older than any with."""
    old = write(tmp_path / "c.pcapng", codes(5001), run=5, text=TABLE)
    first = write(tmp_path / "b.pcapng", codes(2001), run=2, number=1, text=TABLE)
    killed = write(tmp_path / "a.pcapng", codes(1001), run=1, number=2, text=TABLE)
    for files in ([old, first, killed], [killed, first, old]):
        assert run_files(files) == [killed]
        assert [capture.path for capture in Replay(files).captures] == [old, first, killed]
    assert run_files([old, write(tmp_path / "d.pcapng", codes(1), text=TABLE)]) == [old]


def test_a_changed_table_of_the_same_name(tmp_path: Path) -> None:
    """The table was reloaded between two boots: each file is judged by the table that it carries."""
    one = write(tmp_path / "a.pcapng", codes(1), text=TABLE)
    two = write(tmp_path / "b.pcapng", codes(100) + END, text=OTHER)
    assert [names[2] for names in stages(Replay([one, two]))] == ["rom-scan", "adapters"]


def test_damage_is_told_and_the_rest_is_read(tmp_path: Path) -> None:
    """A file that breaks off gives what is whole and a problem with the offset; one without header nothing."""
    path = write(tmp_path / "a.pcapng", codes(1), text=TABLE)
    cut = path.read_bytes()[:-10]
    path.write_bytes(cut)
    replay = Replay([path])
    (boot,) = replay.boots()
    assert boot.codes == 4
    (problem,) = replay.problems
    assert str(path) in problem and "offset" in problem
    path.write_bytes(cut[:40])
    replay = Replay([path])
    assert replay.boots() == [] and len(replay.problems) == 1
    with pytest.raises(UsageError, match="there is no such file"):
        Replay([tmp_path / "none.pcapng"])
    (tmp_path / "text.pcapng").write_text("hello, this is text")
    with pytest.raises((UsageError, ExternalError), match="not a capture"):
        Replay([tmp_path / "text.pcapng"])


def damaged(path: Path, since: int, until: int, noise: random.Random) -> Path:
    data = bytearray(path.read_bytes())
    data[since:until] = noise.randbytes(until - since)
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("seed", range(8))
def test_damage_costs_the_boots_it_struck(tmp_path: Path, seed: int) -> None:
    """20 bytes overwritten among ten boots: the others are judged as ever; one that spans the place says so.

    It is not said to stand, nor to have left out a stage that may lie in what could not be read.
    """
    chance = random.Random(seed)
    records = [one for n in range(10) for one in codes(1 + 40 * n)]
    path = write(tmp_path / "a.pcapng", records + END, text=TABLE)
    whole = Replay([path]).boots()
    places = [at for at, _ in read_capture(path).placed()][1:-1]
    number = chance.randrange(3, len(places) - 2)
    damaged(path, places[number] + chance.randrange(36), places[number] + 36 + chance.randrange(20), chance)
    replay = Replay([path])
    boots = replay.boots()
    (hole,) = [record for record in read_capture(path).records() if getattr(record, "key", "") == "unread"]
    struck = {(number - 1) // len(GOOD), number // len(GOOD), (number + 1) // len(GOOD)}
    spared = [boot for n, boot in enumerate(whole) if n not in struck]
    assert len(spared) >= 8 and all(boot in boots for boot in spared)
    touched = [boot for boot in boots if boot not in whole]
    assert len(touched) <= 2
    for boot in touched:
        assert boot.lost == int(hole.value.split()[1]) and [span.why for span in boot.blind] == ["lossy"]
        kinds = [finding.kind for finding in boot.findings]
        assert set(kinds) <= {"skipped"} and len(kinds) <= 1, kinds  # which no console link is there to tell of
    assert len(replay.problems) == 1 and "could not be read (" in replay.problems[0]


def test_a_boot_that_begins_in_what_is_missing_says_so(tmp_path: Path) -> None:
    """The first codes of a boot cannot be read: what is left of it is a boot of which the beginning is not known."""
    records = codes(1) + codes(100)
    path = write(tmp_path / "a.pcapng", records + END, text=TABLE)
    places = [at for at, _ in read_capture(path).placed()]
    damaged(path, places[6] + 4, places[8] + 4, random.Random(1))
    _, second = Replay([path]).boots()
    assert second.start_reason == "first sign of life" and second.codes == 2
    assert [(span.link, span.why) for span in second.blind] == [("post", "lossy")]
    assert second.lost == 0  # nobody knows that these were of it


def test_what_a_finished_machine_says_behind_a_hole_is_no_boot(tmp_path: Path) -> None:
    """Only a stage may be of a boot that began in what is missing; what the table does not know is not."""
    records = [*codes(1), *codes(50, [(0, 0x77), (1, 0x78), (2, 0x77)])]
    path = write(tmp_path / "a.pcapng", records + END, text=TABLE)
    places = [at for at, _ in read_capture(path).placed()]
    damaged(path, places[6] + 4, places[6] + 20, random.Random(1))
    assert [boot.outcome for boot in Replay([path]).boots()] == ["finished"]


def test_half_a_line_is_not_joined_to_what_comes_after_a_hole(tmp_path: Path) -> None:
    """What a text link had begun before the hole ends there."""
    console = LinkInfo("console", "console", "text")
    texts = [b"BIOS v1\r\n", b"Testing mem", b"ory\r\n64K", b" OK\r\nStarting\r\n"]
    records = [Chunk("console", n * NS, text) for n, text in enumerate(texts, 1)]
    path = write(tmp_path / "a.pcapng", records, text=TABLE, links=[console])
    places = [at for at, _ in read_capture(path).placed()]
    damaged(path, places[3], places[3] + 8, random.Random(1))
    lines = [event.text for event in Replay([path]).events() if isinstance(event, LineSeen) and not event.passing]
    assert [line.strip() for line in lines] == ["BIOS v1", "Testing mem", "OK", "Starting"]


def test_the_boot_behind_a_hole_is_found_again_by_its_index(tmp_path: Path) -> None:
    """Codes and lines of each boot, read through the index: as a replay has them, on either side of the hole."""
    records = [one for n in range(20) for one in codes(1 + 40 * n)]
    path = write(tmp_path / "a.pcapng", records + END, text=TABLE)
    places = [at for at, _ in read_capture(path).placed()]
    damaged(path, places[50] + 4, places[52] + 9, random.Random(1))
    boots = list(all_boots(Replay([path]), 1000))
    for boot, seen in [*boots, *reversed(boots)]:
        told = TraceReader(tmp_path).events(boot.id, path)
        assert [(e.t_ns, e.code) for e in told if isinstance(e, CodeSeen)] == [(e.t_ns, e.code) for e in seen]


def test_a_changed_time_costs_its_record_only(tmp_path: Path) -> None:
    """One bit of a timestamp in the midst: without it all that follows would be of that time, and be no boots."""
    records = [one for n in range(10) for one in codes(1 + 40 * n)]
    path = write(tmp_path / "a.pcapng", records + END, text=TABLE)
    whole, original = Replay([path]).boots(), path.read_bytes()
    at = [at for at, _ in read_capture(path).placed()][1 + 4 * len(GOOD) + 2]
    high, low = struct.unpack_from("<II", original, at + 12)
    bits = [bit for bit in range(33, 64) if not (high << 32 | low) >> bit & 1]  # from 8.6 s on
    assert len(bits) > 12
    for bit in bits:
        data = bytearray(original)
        struct.pack_into("<II", data, at + 12, *divmod((high << 32 | low) | 1 << bit, 1 << 32))
        path.write_bytes(data)
        replay = Replay([path])
        boots = replay.boots()
        assert [boot for boot in boots if boot in whole] == [*whole[:4], *whole[5:]], bit
        (struck,) = [boot for boot in boots if boot not in whole]
        assert struck.outcome == "finished" and struck.codes == 4, bit
        assert [span.why for span in struck.blind] == ["lossy"]
        (problem,) = replay.problems
        assert f"at offset {at}: a time long after that of what follows" in problem


def test_long_silences_and_late_words_are_no_damage(tmp_path: Path) -> None:
    """After hours: the note of an absence is stamped with its beginning, a late chunk with its time; all are kept."""
    late = [Chunk("post", 9000 * NS, b"\x01"), Annotation(2 * NS, "attention", "8998"), Chunk("post", 3 * NS, b"\x05")]
    records = [*codes(1)[:2], *late, *codes(9000.5)[1:], *END]
    path = write(tmp_path / "a.pcapng", records, text=TABLE)
    replay = Replay([path])
    assert sum(boot.codes for boot in replay.boots()) == 2 + 2 + 4 and replay.problems == []
