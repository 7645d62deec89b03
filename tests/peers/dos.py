"""An emulated PC with DOS that runs programs, its COM1 on a socket: DOSBox, without screen and sound."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

CONFIGURATION = """[sdl]
output=surface
[cpu]
cycles=max
[mixer]
nosound=true
[serial]
serial1=nullmodem server:127.0.0.1 port:{port} transparent:1
[autoexec]
mount c "{folder}"
c:
{programs}
"""


def run_programs(programs: Sequence[bytes], until: re.Pattern[bytes], limit_s: float = 120.0) -> bytes:
    """Run .COM programs one after another; returns what they sent over COM1 until `until` is found in it.

    After `limit_s` it returns what has come.
    The emulator is kept until then: what it has not handed over when it ends is lost.
    """
    with tempfile.TemporaryDirectory(prefix="dos-") as name, socket.create_server(("127.0.0.1", 0)) as server:
        folder = Path(name)
        names = [f"PART{number}.COM" for number in range(len(programs))]
        for called, program in zip(names, programs, strict=True):
            (folder / called).write_bytes(program)
        text = CONFIGURATION.format(port=server.getsockname()[1], folder=folder, programs="\n".join(names))
        (folder / "dos.conf").write_text(text, encoding="ascii")
        server.settimeout(limit_s)
        process = subprocess.Popen(
            ["dosbox", "-conf", str(folder / "dos.conf"), "-noconsole"],
            env=os.environ | {"SDL_VIDEODRIVER": "dummy", "SDL_AUDIODRIVER": "dummy", "HOME": name},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            link, _ = server.accept()
            with link:
                return _collect(link, until, time.monotonic() + limit_s)
        finally:
            process.kill()
            process.wait()


def _collect(link: socket.socket, until: re.Pattern[bytes], deadline: float) -> bytes:
    data = bytearray()
    while not until.search(data) and (left := deadline - time.monotonic()) > 0:
        link.settimeout(left)
        try:
            piece = link.recv(4096)
        except TimeoutError:
            break
        if not piece:
            break
        data += piece
    return bytes(data)
