"""What code of an option ROM is reached, and which processor it needs.

Control flow is followed from where others come in: the entry at offset 3, the entries that a $PnP header names, and
interrupt vectors that reached code sets (a constant into the offset word of a vector, and its segment word written
too). A call is taken to return; a return to a constant that was pushed just before (so an image moves to its own
segment) is a jump. What a jump through a register or memory leads to is not known, and told. Bytes that nothing leads
to are read straight on, and what is found there is only perhaps code.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from struct import unpack_from

from benchd.rom.disasm import ENTRY, TARGET_MASK
from benchd.rom.image import RomImage
from benchd.rom.processors import COPROCESSORS, Need, Needing, ProcessorNeeds, higher, need_of, opcode_at

LONGEST = 15
"""Bytes of the longest instruction."""
IVT_END = 0x400
TEXT_RUN = 6
"""So many printable bytes in a row, where nothing leads to, are taken for text."""
PAD_RUN = 16
NO_RETURN = frozenset({0x18, 0x19, 0x20})
"""Interrupts that do not come back: no boot device, boot anew, end of a program."""


@dataclass(frozen=True, slots=True)
class _Step:
    raw: bytes
    text: str
    need: Need


class _Reader:
    """Decodes single instructions of one image."""

    def __init__(self, image: bytes) -> None:
        import capstone  # here: loading it takes longer than most commands

        self.image = image
        self._engine = capstone.Cs(capstone.CS_ARCH_X86, capstone.CS_MODE_16)

    def at(self, offset: int) -> _Step | None:
        for _, size, mnemonic, operands in self._engine.disasm_lite(self.image[offset : offset + LONGEST], offset, 1):
            raw = self.image[offset : offset + size]
            return _Step(raw, f"{mnemonic} {operands}".strip(), need_of(raw))
        return None


@dataclass(frozen=True, slots=True)
class _Flow:
    """Where an instruction leads: `targets` in the image, whether what follows is reached, whether it is computed."""

    targets: tuple[int, ...] = ()
    on: bool = True
    computed: bool = False


def _flow(at: int, raw: bytes, before: tuple[bytes, bytes]) -> _Flow:
    """Return where an instruction at offset `at` leads; `before` are the two that ran before it, the last one first."""
    start = opcode_at(raw)
    opcode, end = raw[start], at + len(raw)
    second = raw[start + 1] if start + 1 < len(raw) else 0
    wide = 0x66 in raw[:start]
    if 0x70 <= opcode <= 0x7F or 0xE0 <= opcode <= 0xE3 or opcode == 0xEB:
        return _Flow((_relative(end, raw, 1),), opcode != 0xEB)
    if opcode in (0xE8, 0xE9) or (opcode == 0x0F and 0x80 <= second <= 0x8F):
        return _Flow((_relative(end, raw, 4 if wide else 2),), opcode != 0xE9)
    if opcode == 0xFF and second >> 3 & 7 in (2, 3, 4, 5):
        return _Flow((), second >> 3 & 7 in (2, 3), True)
    if opcode in (0xC2, 0xC3, 0xCA, 0xCB, 0xCF, 0xEA):
        return _Flow(_pushed(*before) if opcode in (0xC3, 0xCB) else (), False)
    if opcode == 0xCD:
        return _Flow((), second not in NO_RETURN)
    return _Flow((), not (opcode == 0xF4 and before[0] == b"\xfa"))  # CLI, HLT: it stays there


def _pushed(push: bytes, load: bytes) -> tuple[int, ...]:
    """Return the constant that was loaded (MOV r16, imm) and pushed (PUSH r16) just before a return."""
    if len(push) == 1 and len(load) == 3 and 0x50 <= push[0] <= 0x57 and load[0] == push[0] + 0x68:
        return (int(unpack_from("<H", load, 1)[0]),)
    return ()


def _relative(end: int, raw: bytes, size: int) -> int:
    return (end + int.from_bytes(raw[-size:], "little", signed=True)) & TARGET_MASK


def _stored(raw: bytes) -> tuple[int, int | None] | None:
    """Return the address that a store to a fixed word goes to, and its constant; None for any other instruction."""
    at = opcode_at(raw)
    body = raw[at:]
    if body[:2] == b"\xc7\x06" and len(body) == 6:
        address, value = unpack_from("<HH", body, 2)
        return int(address), int(value)
    if len(body) == 4 and body[0] in (0x89, 0x8C) and body[1] & 0xC7 == 0x06:
        return int(unpack_from("<H", body, 2)[0]), None
    if len(body) == 3 and body[0] == 0xA3:
        return int(unpack_from("<H", body, 1)[0]), None
    return None


class _Walk:
    """The instructions that are reached, and what was met on the way."""

    def __init__(self, reader: _Reader) -> None:
        self.reader = reader
        self.steps: dict[int, _Step] = {}
        self.computed: dict[int, _Step] = {}
        self.broken: set[int] = set()
        self._size = len(reader.image)

    def follow(self, entry: int) -> None:
        todo = [entry]
        while todo:
            at, before = todo.pop(), (b"", b"")
            while at not in self.steps:
                step = self.reader.at(at) if at < self._size else None
                if step is None:
                    self.broken |= {at} if at < self._size else set()
                    break
                self.steps[at] = step
                flow = _flow(at, step.raw, before)
                todo += [target for target in flow.targets if target < self._size]
                if flow.computed:
                    self.computed[at] = step
                if not flow.on:
                    break
                at, before = at + len(step.raw), (step.raw, before[0])

    def vectors(self) -> set[int]:
        """Return the handlers that reached code puts into interrupt vectors."""
        stores = [found for step in self.steps.values() if (found := _stored(step.raw)) is not None]
        written = {address for address, _ in stores}
        return {
            value
            for address, value in stores
            if value is not None and address % 4 == 0 and address < IVT_END and address + 2 in written
            if ENTRY <= value < self._size
        }

    def covered(self) -> set[int]:
        return {byte for at, step in self.steps.items() for byte in range(at, at + len(step.raw))}


def processor_needs(data: bytes, image: RomImage) -> ProcessorNeeds | None:
    """Return what the image of `data` needs; None for one that is no x86 code. Never raises for any bytes."""
    if image.kind != "x86":
        return None
    body = data[image.at : image.at + (image.length_bytes or len(data))]
    pnp = image.pnp
    named = (pnp.boot_connection, pnp.disconnect, pnp.bootstrap_entry) if pnp is not None else ()
    entries = [ENTRY, *(entry for entry in named if entry and entry < len(body))]
    walk = _Walk(_Reader(body))
    done: set[int] = set()
    while fresh := [entry for entry in entries if entry not in done]:
        for entry in fresh:
            walk.follow(entry)
        done |= set(fresh)
        entries += sorted(walk.vectors() - done)
    return _told(body, walk, entries)


def _told(body: bytes, walk: _Walk, entries: list[int]) -> ProcessorNeeds:
    covered = walk.covered()
    reached = sorted(walk.steps.items())
    level, coprocessor = "8088", None
    for _, step in reached:
        level = higher(level, step.need.level)
        coprocessor = max(coprocessor or "", step.need.coprocessor or "", key=_rank) or None
    guessed = [found for found in _swept(body, covered, walk.reader) if found[1].need.level != "8088"]
    return ProcessorNeeds(
        needs=level,
        coprocessor=coprocessor,
        entries=tuple(entries),
        reached_bytes=len(covered),
        code_bytes=len(body) - sum(end - start for start, end in _runs(body, covered, padding=True)),
        instructions=tuple(_needing(at, step, step.need.level) for at, step in reached if step.need.level != "8088"),
        for_coprocessor=tuple(
            _needing(at, step, step.need.coprocessor) for at, step in reached if step.need.coprocessor is not None
        ),
        perhaps=tuple(_needing(at, step, step.need.level) for at, step in guessed),
        computed=tuple(_needing(at, step, step.need.level) for at, step in sorted(walk.computed.items())),
        broken=tuple(sorted(walk.broken)),
    )


def _rank(coprocessor: str) -> int:
    return COPROCESSORS.index(coprocessor) if coprocessor else -1


def _needing(at: int, step: _Step, needs: str) -> Needing:
    return Needing(at, step.raw, step.text, needs)


def _swept(body: bytes, covered: set[int], reader: _Reader) -> Iterator[tuple[int, _Step]]:
    """Yield what stands where nothing leads to, read straight on; padding and text are left out."""
    skip = set(covered) | set(range(ENTRY))
    for padding in (True, False):
        skip |= {byte for start, end in _runs(body, covered, padding=padding) for byte in range(start, end)}
    at = 0
    while at < len(body):
        step = reader.at(at) if at not in skip else None
        if step is None or any(byte in skip for byte in range(at, at + len(step.raw))):
            at += 1
            continue
        yield at, step
        at += len(step.raw)


def _runs(body: bytes, covered: set[int], *, padding: bool) -> Iterator[tuple[int, int]]:
    """Yield long runs of one byte 00h or FFh (`padding`), or of printable bytes, in what is not covered."""
    start = 0
    for at in range(1, len(body) + 1):
        goes_on = at < len(body) and at not in covered and start not in covered and _alike(body, start, at, padding)
        if not goes_on:
            if at - start >= (PAD_RUN if padding else TEXT_RUN) and _alike(body, start, start, padding):
                yield start, at
            start = at


def _alike(body: bytes, start: int, at: int, padding: bool) -> bool:
    if padding:
        return body[start] in (0x00, 0xFF) and body[at] == body[start]
    return 0x20 <= body[start] < 0x7F and 0x20 <= body[at] < 0x7F
