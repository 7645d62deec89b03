"""A report is read as it was sent; what is damaged or missing is named, and nothing that was not sent is believed."""

from __future__ import annotations

from random import Random

import pytest
from support.delivery import cut, run
from support.reports import (
    BLOCK,
    END,
    FIRST,
    World,
    as_sent,
    crc,
    crc_bit_by_bit,
    framed,
    option_rom,
    random_world,
)

from benchd.decode.report import ReportReader
from benchd.decode.reportline import crc_of, lines_in, parse_line
from benchd.vocabulary.measured import Measured
from benchd.vocabulary.observations import Reported, Text
from benchd.vocabulary.records import LinkInfo
from benchd.vocabulary.times import NS


def read(data: bytes) -> Measured | None:
    reader = ReportReader()
    for line in data.decode("latin-1").replace("\r", "\n").split("\n"):
        reader.take(line)
    return reader.measured


def facts(world: World) -> dict[str, object]:
    """What a whole report of a world must come to, from the world itself."""
    seen: dict[bytes, str] = {}
    blocks = []
    for at in range(FIRST, END, BLOCK):
        shown = world.blocks[at]
        if isinstance(shown, bytes):
            still = len(set(shown)) == 1
            kind = "content" if not still else "ff" if shown[0] == 0xFF else "constant"
            same = seen.get(shown) if not still else None
            seen.setdefault(shown, f"{at:05X}")
            blocks.append((f"{at:05X}", kind, f"{crc(shown):04X}", same))
        else:
            blocks.append((f"{at:05X}", "floating" if shown is None else "changing", None, None))
    return {
        "blocks": blocks,
        "vectors": {f"{n:02X}": f"{to:05X}" for n, to in world.vectors.items()},
        "machine": (f"{world.model:02X}", world.date, world.memory_k, f"{world.equipment:04X}"),
        "tests": [(t[0], f"{t[1]:05X}-{t[2]:05X}", t[3], None if t[4] is None else f"{t[4]:05X}") for t in world.tests],
        "display": [(f"{a:05X}-{b:05X}", kind) for a, b, kind in world.display],
    }


def told(measured: Measured) -> dict[str, object]:
    machine = measured.machine
    return {
        "blocks": [(b.at, b.class_, b.crc, b.mirror_of) for b in measured.blocks],
        "vectors": {v.number: v.to for v in measured.vectors},
        "machine": machine and (machine.model_byte, machine.date, machine.memory_k, machine.equipment),
        "tests": [(t.name, t.range, t.errors, t.first) for t in measured.tests],
        "display": [(d.range, d.class_) for d in measured.display],
    }


def test_crc_is_the_published_one() -> None:
    """CRC-16/CCITT-FALSE: the check value of its catalogue entry, and the definition bit by bit."""
    assert crc_of(b"123456789") == "29B1" == f"{crc_bit_by_bit(b'123456789'):04X}"
    data = Random(4).randbytes(BLOCK)
    assert crc_of(data) == f"{crc_bit_by_bit(data):04X}" == f"{crc(data):04X}"


@pytest.mark.parametrize("seed", range(40))
def test_a_whole_report_is_the_machine(seed: int) -> None:
    world = random_world(Random(seed))
    measured = read(as_sent(world.report()))
    assert measured is not None
    assert measured.complete and not measured.damaged_lines and not measured.notes
    assert told(measured) == facts(world)
    for header in measured.roms:
        shown = world.at(int(header.at, 16), header.length_bytes)
        assert header.sum_ok == bool(shown and sum(shown) % 256 == 0)


def test_json_has_the_published_keys() -> None:
    """The contract's keys, in JSON."""
    world = World()
    world.mirrored(0xC8000, option_rom(Random(1), 0x2000), 0x4000)
    world.tests = [("display-0", 0xA0000, 0xAFFFF, 3, 0xA1234, 8)]
    measured = read(as_sent(world.report()))
    assert measured is not None
    json = measured.model_dump(mode="json")
    block = next(one for one in json["blocks"] if one["at"] == "CA000")
    assert block["class"] == "content" and block["size"] == 2048 and block["mirror_of"] == "C8000"
    assert {"at", "length_bytes", "sum_ok", "image"} <= json["roms"][0].keys()
    assert json["vectors"][1] == {"number": "13", "to": "FEC59"}
    assert {"model_byte": "FE", "date": "04/08/93", "memory_k": 640, "equipment": "4426"}.items() <= json[
        "machine"
    ].items()
    assert json["tests"] == [{"name": "display-0", "range": "A0000-AFFFF", "errors": 3, "first": "A1234", "bits": "08"}]
    assert json["ports"] == {"com": ["03F8", "02F8"], "lpt": ["0378"]}


# ---------------------------------------------------------------- lines


def test_a_report_among_bios_text() -> None:
    """BIOS text before, between and on the same line before a report line takes nothing from it."""
    world = random_world(Random(7))
    lines = world.report()
    text = [f"Memory 640K OK {line}" if n % 5 == 0 else line for n, line in enumerate(lines)]
    text[3:3] = ["Drive A: 1.44 ~ ready", "C:\\>~", "press ~ for setup"]
    measured = read("\r\n".join(text).encode())
    assert measured is not None and measured.complete and told(measured) == facts(world)
    assert "began like a line" in measured.notes[0]


def test_lines_run_together_are_both_read() -> None:
    world = random_world(Random(8))
    world.date = "~1/~8/9~"
    measured = read("".join(world.report()).encode())
    assert measured is not None and measured.complete and told(measured) == facts(world)


WRONG = [
    "map C8000 content crc 1d0f sum 00",  # lower case
    "map C8000 content crc 1D0F sum 0",
    "map C8100 content crc 1D0F sum 00",  # no block
    "map BF800 content crc 1D0F sum 00",  # not told block by block
    "map C8000 content crc 1D0F sum 00 same C8000",
    "map C8000 content crc 1D0F sum 00 same CA000",
    "map D0000-CFFFF floating",
    "map D0000-D0400 floating",
    "map D0000 constant FF",
    "map E8000 changing first E9012 count 0014",
    "map E8000 changing first E8012 count 0000",
    "map  C8000 ff",
    "display 90000-AFFFF answers",
    "rom C8000 length 2001 sum 00 entry EB4B90 pnp 001A pcir 0000",
    "rom C8200 length 2000 sum 00 entry EB4B90 pnp 001A pcir 0000",
    "test window D0000-D7FFF errors 0000 first D0001 bits 00",
    "test window D0000-D7FFF errors 0003 first ----- bits 08",
    "test window D0000-D7FFF errors 0003 first C1234 bits 08",
    "test display-4 A0000-AFFFF errors 0000 first ----- bits 00",
    "begin 2 as rom at C8000 uart 3F8 speed 9600 blocks 80 run 1A2B",
    "hello",
]


@pytest.mark.parametrize("body", WRONG)
def test_a_fitting_crc_is_not_enough(body: str) -> None:
    assert parse_line(framed(5, body)) is None


def test_every_form_of_the_format_is_read() -> None:
    """The format's own examples."""
    for body in (
        "begin 1 as rom at C8000 uart 3F8 speed 9600 blocks 80 run 1A2B",
        "map C8000 content crc 1D0F sum 00",
        "map C8800 content crc 1D0F sum 00 same C8000",
        "map D0000-DFFFF floating",
        "map D0000-DFFFF ff",
        "map E0000 constant 00",
        "map E8000 changing first E8012 count 0014",
        "display A0000-AFFFF answers",
        "rom C8000 length 2000 sum 00 entry EB4B90 pnp 001A pcir 0000",
        "vector 13 C8123",
        "bios memory 0280 equipment 4426 video 03 model FE date 04/08/93",
        "ports com 03F8 02F8 0000 0000 lpt 0378 0000 0000",
        "test window D0000-D7FFF errors 0000 first ----- bits 00",
        "test display-0 A0000-AFFFF errors 0003 first A1234 bits 08",
        "test display B8000-BBFFF errors 0000 first ----- bits 00",
        "end lines 2F",
    ):
        line = parse_line(framed(0x2F, body))
        assert line is not None and line.number == 0x2F and line.word == body.split()[0]
        assert parse_line(framed(0x2F, body)[:-1] + "x") is None
    assert list(lines_in("no line at all")) == []


# ---------------------------------------------------------------- what is missing


def without(lines: list[str], *numbers: int) -> bytes:
    return as_sent([line for n, line in enumerate(lines) if n not in numbers])


def test_a_missing_line_is_named_by_its_number_and_what_it_told_is_not_guessed() -> None:
    world = World()
    image = option_rom(Random(3), 0x2000)
    world.put(0xC8000, image)
    lines = world.report()
    at = next(n for n, line in enumerate(lines) if "map C9000" in line)
    measured = read(without(lines, at, len(lines) - 3))
    assert measured is not None and not measured.complete
    assert measured.damaged_lines == [at, len(lines) - 3]
    assert measured.machine is None, "the BIOS's words were lost"
    assert "C9000" not in {block.at for block in measured.blocks}
    assert measured.notes == [f"damaged or lost: 2 lines ({at:02X}, {len(lines) - 3:02X})", "unknown: C9000-C97FF"]


def test_without_first_or_last_line() -> None:
    lines = random_world(Random(5)).report()
    measured = read(without(lines, 0))
    assert measured is not None and measured.program is None and measured.damaged_lines == [0]
    assert measured.notes[0].startswith("the first line is missing")
    measured = read(without(lines, len(lines) - 1))
    assert measured is not None and not measured.complete and measured.damaged_lines == []
    assert measured.notes == [f"the last line is missing: what was to come from line {len(lines) - 1} on is not known"]


def test_two_reports_one_after_the_other() -> None:
    """A second one begins anew, also where its first line or the first one's last line was lost."""
    one, two = random_world(Random(11)), random_world(Random(12))
    assert len(one.report()) > 40
    for first, second in ((one.report(), two.report()), (one.report()[:30], two.report())):
        measured = read(as_sent([*first, *second]))
        assert measured is not None and measured.complete and told(measured) == facts(two)
    for first in (one.report(), one.report()[:30]):
        measured = read(as_sent([*first, *two.report()[1:]]))
        assert measured is not None and measured.damaged_lines == [0] and told(measured) == facts(two)


def test_more_than_256_lines() -> None:
    """Numbers go on after FFh at 00h; the last line's count tells how many there were."""
    rng = Random(21)
    world = World()
    for at in range(FIRST, END, BLOCK):
        world.blocks[at] = option_rom(rng, BLOCK)
    world.vectors |= {number: 0xC8123 for number in range(0x20, 0x60)}
    lines = world.report()
    assert len(lines) > 256
    measured = read(as_sent(lines))
    assert measured is not None and measured.complete and told(measured) == facts(world)
    measured = read(without(lines, 10, 270))
    assert measured is not None and measured.damaged_lines == [10, 270]


def test_no_report_in_ordinary_text() -> None:
    reader = ReportReader()
    for line in ("~", "~00", "C:\\>dir ~", "~00 begin", "~05 map C8000 ff 0000", "Award ~ 1992"):
        assert not reader.take(line)
    assert reader.measured is None and not reader.inside


# ---------------------------------------------------------------- damage

KINDS = ("lose", "flip", "double", "any")


def damaged(rng: Random, data: bytes, kind: str, rate: float = 0.01) -> bytes:
    out = bytearray()
    for byte in data:
        if rng.random() >= rate:
            out.append(byte)
            continue
        how = rng.choice(KINDS[:3]) if kind == "any" else kind
        if how == "flip":
            out.append(byte ^ (1 << rng.randrange(8)) if rng.random() < 0.5 else rng.randrange(256))
        elif how == "double":
            out += bytes([byte, byte])
    return bytes(out)


def audit(world: World, lines: list[str], measured: Measured | None) -> tuple[int, int]:
    """Assert that nothing wrong is believed and all that is not believed is named; return (lines, of them named)."""
    if measured is None:
        return len(lines), len(lines)
    true = facts(world)
    seen = told(measured)
    for key in ("blocks", "tests", "display"):
        assert set(seen[key]) <= set(true[key]), f"{key}: believed what was not sent"  # type: ignore[call-overload]
    assert seen["vectors"].items() <= true["vectors"].items()  # type: ignore[attr-defined]
    assert seen["machine"] in (None, true["machine"])
    assert {(r.at, r.length_bytes) for r in measured.roms} <= {
        (line[8:13], int(line.split()[4], 16)) for line in lines if line[4:8] == "rom "
    }
    believed = {
        "begin": measured.program is not None,
        "bios": measured.machine is not None,
        "ports": measured.ports is not None,
    }
    ended = not any("last line is missing" in note for note in measured.notes)
    reach = (
        len(lines)
        if ended
        else int(next(note for note in measured.notes if "last line" in note).split("from line ")[1].split()[0])
    )
    named = set(measured.damaged_lines) | set(range(reach, len(lines)))
    blocks, headers = {b.at for b in measured.blocks}, {r.at for r in measured.roms}
    for number, line in enumerate(lines):
        word, what = line.split()[1:3]
        have = {
            "map": what[:5] in blocks,
            "rom": what in headers,
            "vector": what in {v.number for v in measured.vectors},
            "display": what in {d.range for d in measured.display},
            "test": what in {t.name for t in measured.tests},
            "end": ended,
            **believed,
        }[word]
        assert have != (number in named), f"line {number} ({line}) {'' if have else 'is not told and '}named wrongly"
    assert measured.complete == (not named)
    return len(lines), len(named)


def through_console(data: bytes) -> Measured | None:
    """As a console link gives it: what is damaged may be an escape sequence, a backspace, a carriage return."""
    info = LinkInfo("console", "console", "text", speed=9600)
    seen, _ = run(info, cut(info, data, range(64, len(data), 64)))
    return next((one.measured for one in reversed(seen) if isinstance(one, Reported)), None)


def sweep(seeds: range, console: bool = False) -> tuple[int, int]:
    total = named = 0
    for seed in seeds:
        rng = Random(seed)
        world = random_world(rng)
        lines = world.report()
        data = damaged(rng, as_sent(lines), KINDS[seed % 4])
        one, bad = audit(world, lines, through_console(data) if console else read(data))
        total, named = total + one, named + bad
    return total, named


def test_nothing_wrong_is_believed_of_a_damaged_report() -> None:
    """1 % of the bytes lost, flipped, doubled: a sample of every day."""
    total, named = sweep(range(160))
    assert 0.2 < named / total < 0.8


def test_nothing_wrong_is_believed_on_a_console_link() -> None:
    total, named = sweep(range(400, 420), console=True)
    assert 0.2 < named / total < 0.8


@pytest.mark.long
def test_nothing_wrong_is_believed_of_ten_thousand_damaged_reports() -> None:
    total, named = sweep(range(1_000, 11_000))
    assert 0.2 < named / total < 0.8


def test_an_end_that_counts_more_lines_than_a_report_can_have_is_not_believed() -> None:
    """Two lines must not make a record of sixty-five thousand missing ones."""
    begin = random_world(Random(7)).report()[0]
    measured = read(as_sent([begin, framed(0x7F, "end lines FF7F")]))
    assert measured is not None and not measured.complete and measured.damaged_lines == []


def texts(*sent: tuple[float, bytes]) -> list[Text]:
    info = LinkInfo("console", "console", "text", speed=9600)
    chunks = [chunk for t, data in sent for chunk in cut(info, data, (), round(t * NS))]
    return [one for one in run(info, chunks)[0] if isinstance(one, Text) and not one.partial]


def test_a_report_that_was_cut_off_takes_no_text_of_the_next_boot() -> None:
    """Ten seconds after its last line a "~" in a path is text again; while it comes, it is a damaged line's."""
    lines = random_world(Random(7)).report()[:5]
    path = b"C:\\DRIVER~1.SYS: bad sector\r\n"
    assert texts((1, as_sent(lines)), (2, path))[-1].report is not None
    assert texts((1, as_sent(lines)), (30, path))[-1].report is None


def test_the_tail_of_a_later_report_does_not_join_one_that_was_cut_off() -> None:
    info = LinkInfo("console", "console", "text", speed=9600)
    one, two = random_world(Random(7)).report(), random_world(Random(8)).report()
    chunks = [*cut(info, as_sent(one[:5]), (), NS), *cut(info, as_sent(two[-9:]), (), 60 * NS)]
    last = [seen for seen in run(info, chunks)[0] if isinstance(seen, Reported)][-1]
    assert last.number == 2 and last.measured.program is None
