"""The published JSON forms of `benchd rom inspect` and `benchd map`, as models that give their schemas."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Hex = Annotated[str, Field(pattern="^[0-9A-F]{5,6}$", description="physical address, upper-case hexadecimal")]
Count = Annotated[int, Field(ge=0)]


class _Form(BaseModel):
    model_config = ConfigDict(extra="forbid")


class InstructionForm(_Form):
    """One decoded instruction; `offset` counts from the image start."""

    offset: Count
    bytes: str
    text: str


class ExpansionForm(_Form):
    """A `$PnP` or other `$xxx` header; all offsets count from the image start."""

    offset: Count
    signature: str
    revision: Count
    length_bytes: Count
    checksum: Count
    checksum_ok: bool
    next: Count
    device_id: Count | None
    manufacturer: str | None
    product: str | None
    device_type: Count | None
    indicators: Count | None
    boot_connection: Count | None
    disconnect: Count | None
    bootstrap_entry: Count | None
    static_resources: Count | None


class PciForm(_Form):
    """A PCI data structure; `length_bytes` is the length of the image."""

    offset: Count
    vendor: Count
    device: Count
    structure_bytes: Count
    revision: Count
    class_code: Count
    length_bytes: Count
    code_revision: Count
    code_type: Count
    last: bool


class ImageForm(_Form):
    """One image of the file; `at` is the offset of its header."""

    at: Count
    kind: str
    length_bytes: Count
    checksum: Count
    checksum_ok: bool
    entry: Count | None
    pnp: ExpansionForm | None
    pcir: PciForm | None
    expansion_headers: list[ExpansionForm]


class StringForm(_Form):
    """Readable text in the file."""

    offset: Count
    text: str


class InspectForm(_Form):
    """What `benchd rom inspect --json` prints: numbers are numbers, the header looked at is that at `at`."""

    file: str
    size: Count
    sha256: str
    at: Count
    signature_ok: bool
    length_bytes: Count | None
    checksum: Count | None
    checksum_ok: bool
    kind: str | None
    entry: Count | None
    disassembly: list[InstructionForm]
    pnp: ExpansionForm | None
    pcir: PciForm | None
    images: Count
    image_list: list[ImageForm]
    problems: list[str]
    notes: list[str]
    verdict: str
    strings: list[StringForm]


class PassForm(_Form):
    """One sweep of the scan; `block`: one slot, 64 KiB summed, the length byte not used."""

    first: Hex = Field(alias="from")
    last: Hex = Field(alias="to")
    step: Count
    block: bool


class RulesForm(_Form):
    """The scanner that the prediction follows."""

    name: str
    passes: list[PassForm]
    checksum: bool
    after_good: str
    after_bad: str
    zero_length: str
    sum_bits: int
    round_bits: int
    source: str
    remark: str


class StretchForm(_Form):
    """Inclusive addresses."""

    first: Hex = Field(alias="from")
    last: Hex = Field(alias="to")


class OverlapForm(StretchForm):
    """Inclusive addresses at which all of `parties` (window names) answer."""

    parties: list[str]


class SlotForm(_Form):
    """One slot that the scan looks at; null: cannot be told (or, for `checksum_ok`, no header found)."""

    at: Hex
    found: bool
    party: str | None
    checksum_ok: bool | None
    runs: bool | None
    next: Hex
    note: str
    length_bytes: Count


class SignsForm(_Form):
    """What shows that a ROM ran: POST codes (hexadecimal), a stage, text on the console."""

    codes: list[str]
    stage: str | None
    text: str | None


class RomForm(_Form):
    """What becomes of one ROM header; `order` counts the ROMs that run, from 1."""

    window: str
    at: Hex | None
    runs: bool | None
    order: int | None
    why: str
    signs: SignsForm


class ContentionForm(StretchForm):
    """What an overlap does to one ROM in it, by the rule named."""

    window: str
    others: list[str]
    bytes: Count
    changed: Count
    unknown: Count
    header_survives: bool | None
    checksum_survives: bool | None
    rule: str
    note: str


class PlaceForm(_Form):
    """A window and the base it is moved to; null: off."""

    window: str
    base: Hex | None


class MoveForm(_Form):
    """A set of jumper moves and what is left after it."""

    moves: list[PlaceForm]
    overlapping_bytes: Count
    not_running: list[str]
    solves: bool


class RoomForm(_Form):
    """The free bases for something of `size` bytes."""

    name: str
    size: Count
    bases: list[Hex]


class PredictionForm(_Form):
    """A stored prediction: overlaps, free stretches, the scan slot by slot, and every ROM's fate."""

    rules: RulesForm
    overlaps: list[OverlapForm]
    free: list[StretchForm]
    scan: list[SlotForm]
    endless: bool
    roms: list[RomForm]
    contention: list[ContentionForm]
    findings: list[str]


class MapForm(PredictionForm):
    """What `benchd map --json` prints: the prediction, jumper moves that help, room for what is wanted."""

    moves: list[MoveForm]
    room: list[RoomForm]


FORMS: dict[str, type[BaseModel]] = {
    "rom-inspect": InspectForm,
    "map": MapForm,
    "scan-prediction": PredictionForm,
}
"""Name for `benchd schema`: model."""
