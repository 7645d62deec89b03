"""sd_notify(3): one datagram with the assignments to the socket that $NOTIFY_SOCKET names."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest

from benchd.sdnotify import notify


@pytest.mark.parametrize("abstract", [False, True])
def test_one_datagram(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, abstract: bool) -> None:
    """A path, or a name in the abstract namespace that is written with @ (unix(7))."""
    name = f"@benchd-{tmp_path.name}" if abstract else str(tmp_path / "n")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind("\0" + name[1:] if abstract else name)
        manager.settimeout(5)
        monkeypatch.setenv("NOTIFY_SOCKET", name)
        assert notify("READY=1\nSTATUS=watching")
        assert manager.recv(1000) == b"READY=1\nSTATUS=watching"


@pytest.mark.parametrize("name", [None, "", "relative", "/none/such", "/" + "x" * 300])
def test_nobody_listens(monkeypatch: pytest.MonkeyPatch, name: str | None) -> None:
    """Without a service manager nothing happens and nothing is raised."""
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    if name is not None:
        monkeypatch.setenv("NOTIFY_SOCKET", name)
    assert not notify("READY=1")
