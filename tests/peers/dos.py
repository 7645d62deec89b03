"""An emulated PC with DOS that runs one program, its COM1 on a socket: DOSBox, without screen and sound."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import tempfile
import time
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
PROGRAM.COM
"""


def run_program(program: bytes, until: re.Pattern[bytes], limit_s: float = 120.0) -> bytes:
    """Run a .COM program; returns what it sent over COM1 until `until` is found in it, or all that came in `limit_s`.

    The emulator is kept until then: what it has not handed over when it ends is lost.
    """
    with tempfile.TemporaryDirectory(prefix="dos-") as name, socket.create_server(("127.0.0.1", 0)) as server:
        folder = Path(name)
        (folder / "PROGRAM.COM").write_bytes(program)
        text = CONFIGURATION.format(port=server.getsockname()[1], folder=folder)
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
