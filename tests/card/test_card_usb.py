"""The card's USB: a host that checks every packet (usb_host.mjs) finds a serial port with a name, and reads frames."""

from __future__ import annotations

import struct

import pytest
from card.rig import BYTE_NS, MS, QUEUE, Card, entries_of, frames_of, writes_of

from benchd.decode.benchframe import Frame, Kind

pytestmark = pytest.mark.peer("node", "npm")

DEVICE, CONFIGURATION, STRING, QUALIFIER = 1, 2, 3, 6


def control(
    card: Card, kind: int, request: int, value: int, index: int = 0, length: int = 0, out: bytes | None = None
) -> bytes | str:
    """One control transfer; returns the data in, or "stall"."""
    setup = struct.pack("<BBHHH", kind, request, value, index, len(out) if out else length)
    told = card.ask("usbControl", setup.hex(), out.hex() if out else None)
    assert told is not None, f"no answer to {setup.hex()}"
    return told if told == "stall" else bytes.fromhex(told)


def descriptor(card: Card, kind: int, number: int = 0, length: int = 255) -> bytes:
    told = control(card, 0x80, 6, kind << 8 | number, 0, length)
    assert isinstance(told, bytes)
    return told


def enumerate_card(card: Card) -> None:
    """What a host does until the device is configured, twice reset as a common one does."""
    card.ask("usbReset")
    assert descriptor(card, DEVICE, length=64)[7] == 64
    card.ask("usbReset")
    assert control(card, 0x00, 5, 9) == b""
    assert control(card, 0x00, 9, 1) == b""
    assert control(card, 0x21, 0x20, 0, 0, out=struct.pack("<IBBB", 9600, 0, 0, 8)) == b""


def opened(card: Card, on: bool = True) -> None:
    assert control(card, 0x21, 0x22, 3 if on else 0) == b""


def received(card: Card) -> list[Frame]:
    return frames_of(bytes.fromhex(card.ask("usbTake")))


@pytest.fixture
def plugged(card: Card) -> Card:
    card.line(BYTE_NS)
    enumerate_card(card)
    card.ask("usbRead", True)
    return card


def parts_of(whole: bytes) -> list[bytes]:
    """The descriptors of a configuration, each by its own length; together they are the whole."""
    parts, at = [], 0
    while at < len(whole):
        parts.append(whole[at : at + whole[at]])
        at += whole[at]
    assert at == len(whole) == struct.unpack_from("<H", whole, 2)[0]
    return parts


def test_device(card: Card) -> None:
    """The device descriptor is the same before and after the address is set, and the names stand where it says."""
    card.ask("usbReset")
    device = descriptor(card, DEVICE)
    assert len(device) == device[0] == 18 and device[4] == 2 and device[17] == 1
    assert control(card, 0x00, 5, 77) == b""
    assert descriptor(card, DEVICE) == device
    assert descriptor(card, STRING) == b"\x04\x03\x09\x04"
    names = [descriptor(card, STRING, number) for number in (device[14], device[15])]
    assert all(name[0] == len(name) and name[1] == 3 for name in names)
    assert [name[2:].decode("utf-16le") for name in names] == ["self-built", "POST-code card, bench frames"]
    assert card.ask("usbErrors") == []


def test_configuration(card: Card) -> None:
    """Interfaces and endpoints are those of a serial port, as USB 2.0 chapter 9 and CDC 1.1 lay them out."""
    card.ask("usbReset")
    whole = descriptor(card, CONFIGURATION)
    assert descriptor(card, CONFIGURATION, length=9) == whole[:9]
    parts = parts_of(whole)
    interfaces = [part for part in parts if part[1] == 4]
    assert whole[4] == 2 and [tuple(part[2:8]) for part in interfaces] == [(0, 0, 1, 2, 2, 0), (1, 0, 2, 10, 0, 0)]
    assert [part[2] for part in parts if part[1] == 0x24] == [0, 1, 2, 6]
    assert {(part[2], part[3]) for part in parts if part[1] == 5} == {(0x81, 3), (0x82, 2), (0x02, 2)}
    assert card.ask("usbErrors") == []


def test_what_there_is_not_is_refused(card: Card) -> None:
    """Other descriptors are refused by a stall, which is over with the next request."""
    card.ask("usbReset")
    assert control(card, 0x80, 6, QUALIFIER << 8, 0, 10) == "stall"
    assert control(card, 0x80, 6, STRING << 8 | 9, 0, 255) == "stall"
    assert control(card, 0xC0, 1, 0, 0, 4) == "stall"
    assert len(descriptor(card, DEVICE)) == 18
    assert card.ask("usbErrors") == []


def test_serial_requests(plugged: Card) -> None:
    """The line coding that a host sets is the one that it reads back; configuration and status are told."""
    assert control(plugged, 0xA1, 0x21, 0, 0, 7) == struct.pack("<IBBB", 9600, 0, 0, 8)
    assert control(plugged, 0x80, 8, 0, 0, 1) == b"\x01"
    assert control(plugged, 0x80, 0, 0, 0, 2) == b"\0\0"
    plugged.ask("usbWrite", b"hello".hex())
    plugged.ask("usbWrite", bytes(64).hex())
    plugged.ask("usbWrite", b"again".hex())
    assert plugged.ask("usbErrors") == []


def test_frames_over_usb_while_it_is_open(plugged: Card) -> None:
    """A program that opens the port gets alive, card note and all writes from then on; the UART gets them as well."""
    plugged.write([(0x80, 1)])
    plugged.run(5 * MS)
    assert received(plugged) == []
    opened(plugged)
    plugged.run(5 * MS)
    plugged.frames()
    first, note = received(plugged)
    assert first.kind is Kind.ALIVE and note.entries[0].note and note.entries[0].note.card
    burst = [(0x80, n & 0xFF) for n in range(500)]
    plugged.write(burst)
    plugged.run(60 * MS)
    by_usb = received(plugged)
    assert writes_of(by_usb) == burst
    plugged.ask("jump", 10 * MS)
    by_uart = [*plugged.frames(), *plugged.drained()]
    assert writes_of(by_uart)[-500:] == burst
    opened(plugged, False)
    plugged.write([(0x80, 2)])
    plugged.run(5 * MS)
    assert received(plugged) == [] and plugged.ask("usbErrors") == []


def test_a_flood_over_usb(plugged: Card) -> None:
    """USB empties the queue faster; a host that does not read for a while costs nothing that is not counted."""
    opened(plugged)
    plugged.run(5 * MS)
    received(plugged)
    plugged.ask("usbRead", False)
    flood = [(0x80, n & 0xFF) for n in range(QUEUE + 3000)]
    plugged.write(flood)
    plugged.ask("usbRead", True)
    plugged.run(30 * MS)
    told = entries_of(received(plugged))
    codes = sum(one.entry.code is not None for one in told)
    assert codes + sum(one.entry.lost for one in told) == len(flood) and codes >= QUEUE
    late = entries_of(plugged.frames()[-1:])
    assert late, "the UART goes on"
    assert plugged.ask("usbErrors") == []
