"""The shipped tables are free of mistakes, name their sources, and give advice a person can use."""

from __future__ import annotations

import re
from collections import Counter

import pytest

from benchd.rules import Matcher, RuleTable, check_text
from benchd.rules.files import load_table, read_table_text, shipped_tables
from benchd.rules.schema import Help

NAMES = list(shipped_tables())
TABLES = {name: check_text(read_table_text(path), path.name) for name, path in shipped_tables().items()}
HANDS_ON = re.compile(r"\b(reseat|take out|leave (in )?(one|bank)|unplug|swap|jumper|cable|measure|replace|exchange)\b")
FAMILIES = ("at-p0410", "at-p0411", "at-p0412", "at-p0413", "at-p1017", "coreboot")


def table(name: str) -> RuleTable:
    return TABLES[name][0]


def test_the_families_of_the_issue_are_there() -> None:
    assert set(NAMES) >= {
        *FAMILIES, "uefi-pi", "seabios-text", "dos-text", "test-firmware", "demo-at286"}  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_no_errors_no_lints_and_its_own_name(name: str) -> None:
    assert [str(lint) for lint in TABLES[name][1]] == []
    assert table(name).name == name


@pytest.mark.parametrize("name", NAMES)
def test_every_entry_has_a_source(name: str) -> None:
    """An entry has its own source or its table's; what is from memory says so; nothing says "unknown"."""
    rules = table(name)
    assert len(rules.table.source) >= 10
    entries = [*rules.stage, *rules.stall, *rules.fault, *rules.loop, *rules.order, *rules.check, *rules.code]
    for entry in entries:
        source = entry.source or rules.table.source
        assert re.search(
            r"memory|table P\d{4}|common practice|coreboot|EDK2|SeaBIOS|8088_bios|manual|own|tests/", source
        ), source


def test_stall_points_in_all() -> None:
    """At least 30 stall points, not counting the demo's and the tests', with at least 30 meanings."""
    stalls = [s for n in NAMES if n not in ("demo-at286", "test-firmware") for s in table(n).stall]
    assert len(stalls) >= 30
    assert len({s.means for s in stalls}) >= 30


@pytest.mark.parametrize("name", [n for n in NAMES if n != "test-firmware"])
def test_advice(name: str) -> None:
    """Each stall point says what it means and at least two things to try; hardware work carries a caution."""
    rules = table(name)
    for stall in rules.stall:
        assert len(stall.means) >= 10 and len(stall.try_) >= 2, stall.name
    told: list[tuple[str, Help]] = [(r.name, r) for r in (*rules.stall, *rules.fault, *rules.loop, *rules.order)]
    for rule_name, rule in told:
        assert all(len(step) >= 6 and not step.endswith(".") for step in rule.try_), rule_name
        if any(HANDS_ON.search(step) for step in rule.try_):
            assert re.search(r"[Pp]ower off|[Uu]nplug|tip|caustic", rule.caution), (name, rule_name)


@pytest.mark.parametrize("name", NAMES)
def test_parts_are_never_the_first_thing_to_try(name: str) -> None:
    """Common practice, no source: swapping and measuring come after looking, reseating and unplugging."""
    for stall in table(name).stall:
        first = stall.try_[0]
        assert not re.match(r"(swap|replace|order|buy|reprogram|program|measure)\b", first), (stall.name, first)


@pytest.mark.parametrize("name", [n for n in FAMILIES if n.startswith("at-")])
def test_limits_are_honest_for_old_machines(name: str) -> None:
    """Common practice, no source: memory counts take tens of seconds to minutes; a 10 s limit cries wolf."""
    stages = {s.name: s for s in table(name).stage}
    longest = max(s.limit or 0 for n, s in stages.items() if "memory" in n or n == "protected-mode")
    assert longest >= 180
    disks = [s.limit or 0 for n, s in stages.items() if "disk" in n or n == "option-roms"]
    assert disks and min(disks) >= 60
    for stall in table(name).stall:
        assert stall.quiet >= 10 or "power" in stall.name


@pytest.mark.parametrize("name", [n for n in FAMILIES if n.startswith("at-")])
def test_a_slow_card_raises_no_skipped_finding_at_brief_codes(name: str) -> None:
    """A serial card merges codes some microseconds apart (1 us against 86.8 us a byte, by arithmetic): of
    the stages past the first two, those that consist of quick chip tests are optional.
    """
    stages = table(name).stage
    assert [s.name for s in stages[2:] if s.limit is not None and s.limit <= 10 and not s.optional] == []
    assert sum(s.optional for s in stages) >= 2


# The same code in different families: sources.md's list of collisions, from the interrupt list (release 61,
# PORTS.A tables P0410, P0411, P0413, P1017) and coreboot's post_codes.h. Key words, not the wording, are fixed.
COLLISIONS = {
    0xFF: {"at-p0411": "boot sector", "at-p0412": "boot sector", "coreboot": "gave up"},
    0x00: {"at-p0410": "INT 19h", "at-p1017": "cold start"},
    0x52: {"at-p0411": "adapter ROMs", "at-p0412": "adapter ROMs", "at-p0413": "DMA"},
    0x63: {"at-p0411": "INT 19h", "at-p0412": "INT 19h", "at-p0413": "protected mode"},
    0x29: {"at-p0410": "monochrome", "at-p1017": "adapter ROMs"},
    0x0D: {"at-p0410": "keyboard", "at-p0411": "video", "at-p0412": "video", "at-p0413": "no memory refresh",
           "at-p1017": "timer"},
    0x10: {"at-p0410": "setup memory", "at-p0411": "DMA controller 1", "coreboot": "protected mode",
           "at-p1017": "video"},
}  # fmt: skip


@pytest.mark.parametrize("code", COLLISIONS)
def test_one_code_means_different_things(code: int) -> None:
    """What a code means is the table's business alone."""
    for name, words in COLLISIONS[code].items():
        assert words in table(name).meaning(code), (name, f"{code:02X}")
    assert len(set(COLLISIONS[code].values())) > 1


def test_the_hand_over_codes_differ() -> None:
    """The code that ends one family's boot is a test in another: 00, FF, 2F, 94 (interrupt list, as above)."""
    finals = {}
    for name in FAMILIES:
        matcher = Matcher(table(name))
        rules = table(name)
        finals[name] = {
            v for v in range(256) for h in matcher.code(v, 0x80) if h.role == "stage" and rules.stage[h.index].final
        }
    assert finals == {
        "at-p0410": {0x00},
        "at-p0411": {0xFF},
        "at-p0412": {0xFF},
        "at-p0413": {0x94},
        "at-p1017": {0x2F},
        "coreboot": {0x7B, 0xF3, 0xF8, 0xFD, 0xFE},
    }


# coreboot, src/commonlib/include/commonlib/console/post_codes.h @ 0d34a50a3602
COREBOOT = {
    0x01: "reset vector", 0x10: "protected mode", 0x13: "C code", 0x21: "cache", 0x39: "console ready",
    0x40: "console", 0x6F: "main", 0x70: "before devices", 0x72: "enumerated", 0x73: "resources",
    0x74: "enabled", 0x79: "tables", 0x7A: "payload loaded", 0x7B: "payload started", 0x92: "memory",
    0x9C: "ACPI",
    0xE0: "error", 0xE3: "error: memory", 0xE5: "error: video", 0xEE: "error", 0xEF: "error: wake-up",
    0xF3: "payload", 0xF8: "ELF", 0xFD: "woken", 0xFE: "started", 0xFF: "gave up",
}  # fmt: skip


def test_coreboot_values() -> None:
    rules = table("coreboot")
    for code, words in COREBOOT.items():
        assert words in rules.meaning(code), f"{code:02X}"
    matcher = Matcher(rules)
    assert [h.role for h in matcher.code(0x00, 0x80)] == ["ignore"]  # "not a real code"
    faults = {v for v in range(256) if any(h.role == "fault" for h in matcher.code(v, None))}
    assert faults == {0xE0, 0xE1, 0xE2, 0xE3, 0xE4, 0xE5, 0xED, 0xEE, 0xEF, 0xFF}
    assert not rules.meaning(0x80) and not rules.meaning(0x66)  # the older text list's, not this header's


# UEFI PI 1.2 volume 3 as in EDK2, MdePkg/Include/Pi/PiStatusCode.h: class, subclass and operation of a value.
CLASS = {"computing unit": 0x00000000, "peripheral": 0x01000000, "I/O bus": 0x02000000, "software": 0x03000000}
STATUS = {
    "option ROM started": CLASS["software"] | 0x00050000 | 0x1000,
    "ready to boot": CLASS["software"] | 0x00050000 | 0x1001,
    "legacy boot": CLASS["software"] | 0x00050000 | 0x1002,
    "memory test": CLASS["computing unit"] | 0x00050000 | 0x1006,
    "no memory detected": CLASS["computing unit"] | 0x00050000 | 0x1009,
    "PCI bus enumerated": CLASS["I/O bus"] | 0x00010000 | 0x1000,
    "stuck key": CLASS["peripheral"] | 0x00010000 | 0x1001,
    "serial port reset": CLASS["peripheral"] | 0x00050000 | 0x0001,
}


@pytest.mark.parametrize("what", STATUS)
def test_uefi_low_bytes(what: str) -> None:
    """BasePostCodeLibPort80 writes `(UINT8)Value`: what the card shows is explained by the whole value."""
    value = STATUS[what]
    told = table("uefi-pi").meaning(value & 0xFF)
    assert f"{what} {value:08X}h" in told
    if value & 0xF000:
        assert what in table("uefi-pi").meaning(value & 0xFFFF, wide=True)


def test_uefi_low_bytes_are_never_final() -> None:
    """01 stands for three different things, one of them an error: no 8-bit code may end a boot or alarm."""
    assert Counter(v & 0xFF for v in STATUS.values())[0x01] == 3
    rules, matcher = table("uefi-pi"), Matcher(table("uefi-pi"))
    for value in range(256):
        for hit in matcher.code(value, 0x80):
            assert hit.role == "stage" and not rules.stage[hit.index].final


def test_bus_codes_of_16_bits() -> None:
    """High byte 7x: adapter ROMs started; x = 2: ISA (1990s system-board manual, bus checkpoints)."""
    rules = table("at-p0410")
    matcher = Matcher(rules)
    assert rules.meaning(0x7297, 0x80, wide=True).startswith("adapter ROMs started: ISA; adapter ROMs")
    entered = {rules.stage[h.index].name for h in matcher.code(0x7297, 0x80, wide=True) if h.role == "stage"}
    assert entered == {"option-roms"}  # by the low byte, as a card that takes 8 bits only would
    assert matcher.known(0x7200, 0x80, wide=True) and rules.meaning(0x7252, 0x80) == ""


# Format strings of SeaBIOS @ 41514a7a974f: src/bootsplash.c:51, src/optionroms.c:38,369,458,
# src/boot.c:719,869,959-1003, filled in; "Boot failed" as printed by Debian's 1.16.2.
SEABIOS = [
    ("SeaBIOS (version 1.16.2-debian-1.16.2-1)", "banner"),
    ("SeaBIOS (version 1.16.2-debian-1.16.2-1ADAPTER ROM A READY", "banner"),
    ("Scan for VGA option rom", "video-rom"),
    ("Running option rom at c000:0003", "rom-runs"),
    ("Press ESC for boot menu.", "boot-menu"),
    ("Scan for option roms", "option-roms"),
    ("Booting from Floppy...", "boot-try"),
    ("Booting from Hard Disk...", "boot-try"),
    ("Booting from 0000:7c00", "hand-over"),
    ("No bootable device.  Retrying in 60 seconds.", "stall no-boot-device"),
    ("No bootable device.", "stall no-boot-device"),
    ("Found option rom with bad checksum: loc=0x000c8000 len=2048 sum=7f", "fault bad-rom-checksum"),
    ("Boot failed: not a bootable disk", "fault boot-failed"),
]


@pytest.mark.parametrize(("line", "what"), SEABIOS)
@pytest.mark.parametrize("name", ["seabios-text", "seabios-debug"])
def test_seabios_lines(name: str, line: str, what: str) -> None:
    rules = table(name)
    hits = [h for h in Matcher(rules).text(line) if h.role in ("stage", "stall", "fault")]
    named = {
        "stage": lambda i: rules.stage[i].name,
        "stall": lambda i: f"stall {rules.stall[i].name}",
        "fault": lambda i: f"fault {rules.fault[i].name}",
    }
    assert what in [named[h.role](h.index) for h in hits]
    assert len({h.index for h in hits if h.role == "stage"}) <= 1


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("640K OK", "stage"),
        ("00640 KB OK", "stage"),
        ("Starting DOS...", "stage"),
        ("C:\\>", "stage"),
        ("A:\\>dir", "stage"),
        ("Non-System disk or disk error", "stall"),
        ("Missing operating system", "stall"),
        ("NO ROM BASIC", "stall"),
        ("Bad or missing Command Interpreter", "stall"),
        ("Abort, Retry, Fail?", "stall"),
        ("PARITY CHECK 2", "fault"),
        ("CMOS checksum error - Defaults loaded", "fault"),
        ("HDD controller failure", "fault"),
        ("Keyboard error", "fault"),
        ("Divide overflow", "fault"),
    ],
)
def test_dos_lines(line: str, what: str) -> None:
    """Lines as common on such machines (common practice, no source; wordings from memory)."""
    assert what in {h.role for h in Matcher(table("dos-text")).text(line)}


@pytest.mark.parametrize("name", ["dos-text", "seabios-text"])
def test_text_tables_keep_silent_on_each_others_lines(name: str) -> None:
    """A family's stages and faults do not fire on lines of another (a false positive fails)."""
    others = {"dos-text": [line for line, _ in SEABIOS], "seabios-text": ["640K OK", "C:\\>", "Keyboard error"]}
    assert [h for line in others[name] for h in Matcher(table(name)).text(line)] == []


def test_low_codes_are_failures_in_one_family() -> None:
    """Interrupt list table P0413: 01 to 1A are failures, 50 up progress; in P0411 the same codes are tests."""
    failing, other = Matcher(table("at-p0413")), Matcher(table("at-p0411"))
    for code in (0x03, 0x04, 0x05, 0x06, 0x07, 0x08, 0x0D, 0x0E, 0x16):
        assert [h.role for h in failing.code(code, 0x80)] == ["fault"]
        assert "fault" not in {h.role for h in other.code(code, 0x80)}


def test_load_by_name() -> None:
    from pathlib import Path

    assert load_table("at-p0411", Path("/nowhere")) == table("at-p0411")
