"""A port is tried as soon as the kernel tells that it came, long before the next try is due."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest
from links.port_rig import Box, Pty, reading, until

from benchd.links.lookout import Lookout
from benchd.links.tries import Retry

SLOW = Retry(base_s=3600, cap_s=3600, path_cap_s=3600)
"""Tries that would come after half an hour: whatever is quicker was told by the kernel."""


@pytest.mark.parametrize("folders", ["", "by-id/deep"], ids=["folder there", "folder comes with it"])
def test_up_again_within_a_third_of_a_second(tmp_path: Path, folders: str) -> None:
    """Twenty replugs: each is up within 0.3 s of plugging in, though the folder of steady names went away as well."""
    link = tmp_path / folders / "post"
    link.parent.mkdir(parents=True, exist_ok=True)
    pty, box, took = Pty(link), Box(), []
    with reading(str(link), box, retry=SLOW):
        box.wait_state(True)
        for n in range(20):
            pty.unplug()
            for folder in (link.parent, link.parent.parent) if folders else ():
                folder.rmdir()
            box.wait_state(False, n + 1)
            time.sleep(0.02)
            link.parent.mkdir(parents=True, exist_ok=True)
            began = time.monotonic_ns()
            pty.plug()
            took.append(box.wait_state(True, n + 2).t_ns - began)
    pty.unplug()
    assert max(took) < 300_000_000, took


def test_rights_that_come_later(tmp_path: Path) -> None:
    """A new device belongs to root until udev gives it its group: that change is told too."""
    lookout = Lookout()
    port = tmp_path / "tty"
    port.touch(0o600)
    lookout.expect(str(port))
    assert not lookout.drain()
    os.chmod(port, 0o660)
    until(lookout.drain, "the change of rights")
    lookout.close()
    assert not lookout.drain()
    assert lookout.fileno() == -1


def test_without_watches_tries_go_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """inotify refuses (no more instances): the port is found by trying."""

    def refuse(**_: object) -> None:
        raise OSError("no more instances")

    monkeypatch.setattr("benchd.links.lookout.INotify", refuse)
    box = Box()
    with reading(str(tmp_path / "post"), box):
        box.wait_state(False)
        pty = Pty(tmp_path / "post")
        box.wait_state(True)
    pty.unplug()
