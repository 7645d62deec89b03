"""A link stays with the adapter that it had first; the kernel's tree is one of our own, laid out as Linux does."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from links.port_rig import Box, Pty, reading, until

from benchd.links import identity
from benchd.links.identity import Adapter, adapter_of, adapters, numbered


def plug(sys: Path, device: str, place: str, serial: str = "", product: str = "Bench adapter") -> None:
    """Put an adapter into the tree: /sys/class/tty/ttyUSB0 leads to .../usb1/1-2/1-2:1.0/ttyUSB0/tty/ttyUSB0."""
    usb = sys / "devices/usb1" / place
    port = usb / f"{place}:1.0" / device
    (port / "tty" / device).mkdir(parents=True)
    (usb / f"{place}:1.0/bInterfaceNumber").write_text("00\n")
    for name, value in (("idVendor", "1209"), ("idProduct", "00b7"), ("serial", serial), ("product", product)):
        if value:
            (usb / name).write_text(value + "\n")
    (port / "tty" / device / "device").symlink_to(port)
    (sys / "class/tty").mkdir(parents=True, exist_ok=True)
    (sys / "class/tty" / device).symlink_to(port / "tty" / device)


def test_an_adapter_is_read_from_the_tree(tmp_path: Path) -> None:
    """Kind, serial number, interface, place and name; a built-in port has none."""
    plug(tmp_path, "ttyUSB0", "1-2", "B7")
    (tmp_path / "class/tty/ttyS0").mkdir()
    found = adapter_of("/dev/ttyUSB0", tmp_path)
    assert found == Adapter("1209:00B7", "B7", "00", "1-2", "Bench adapter")
    assert str(found) == "Bench adapter (1209:00B7, serial number B7)"
    assert adapter_of("/dev/ttyS0", tmp_path) is None
    assert adapters(tmp_path) == {"/dev/ttyUSB0": found}


def test_sameness(tmp_path: Path) -> None:
    """The serial number follows an adapter to another place; without one the place is what is left."""
    for device, place, serial in (("ttyUSB0", "1-1", "A"), ("ttyUSB1", "1-2", "A"), ("ttyUSB2", "1-3", "B")):
        plug(tmp_path, device, place, serial)
    for device, place in (("ttyUSB3", "2-1"), ("ttyUSB4", "2-2")):
        plug(tmp_path, device, place)
    a, moved, b, bare, other = (adapter_of(f"/dev/ttyUSB{n}", tmp_path) for n in range(5))
    assert a is not None and bare is not None
    assert a.same(moved)
    assert not a.same(b) and not a.same(bare) and not bare.same(a) and not a.same(None)
    assert bare.same(bare) and not bare.same(other)
    assert "no serial number, at 2-1" in str(bare)


def test_names_that_the_kernel_numbers(tmp_path: Path) -> None:
    """A steady name and a name of one's own say which adapter is meant; ttyUSB0 does not."""
    assert numbered("/dev/ttyUSB0") and numbered("/dev/ttyACM3")
    assert not numbered("/dev/serial/by-id/usb-bench-if00")
    assert not numbered("/dev/ttyS0")
    (tmp_path / "bench-post").symlink_to("/dev/ttyUSB0")
    assert not numbered(str(tmp_path / "bench-post"))


def test_another_adapter_is_not_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Replugged as another adapter: waited for the own one, which is found under its new number."""
    first, second = Pty(tmp_path / "ttyUSB0"), Pty(tmp_path / "ttyUSB1")
    behind = {str(first.link): Adapter("1209:00B7", "A", "00", "1-1", "Bench adapter")}
    stranger = Adapter("1209:00B7", "B", "00", "1-2", "Bench adapter")
    monkeypatch.setattr("benchd.links.tries.adapter_of", behind.get)
    monkeypatch.setattr("benchd.links.tries.adapters", lambda: behind)
    monkeypatch.setattr("benchd.links.tries.numbered", lambda port: True)
    monkeypatch.setattr("benchd.links.tries.steady_names", lambda device: ("/dev/serial/by-id/usb-bench-A",))
    box = Box()
    with reading(str(first.link), box) as reader:
        assert "better is port = /dev/serial/by-id/usb-bench-A" in box.wait_state(True).reason
        first.send(b"mine")
        box.wait_data(b"mine")
        own = behind.pop(str(first.link))
        first.unplug()
        box.wait_state(False)
        behind[str(first.link)] = stranger
        first.plug()
        waiting = until(
            lambda: [s for s in box.states() if "is plugged in there" in s.reason], "the word about the stranger"
        )
        assert "another adapter is plugged in there: Bench adapter (1209:00B7, serial number B)" in waiting[0].reason
        assert "waiting for Bench adapter (1209:00B7, serial number A)" in waiting[0].reason
        assert reader.status().state == "swapped"
        first.send(b"not mine")
        behind[str(second.link)] = own
        back = box.wait_state(True, 2)
        assert f"the adapter is {second.link} by now" in back.reason
        second.send(b" again")
        box.wait_data(b"mine again")
    first.unplug()
    second.unplug()


def test_this_machine_has_names_or_none() -> None:
    """The real tree is read without a fault."""
    assert all(device.startswith("/dev/tty") for device in adapters())
    assert identity.steady_names(os.devnull) == ()
