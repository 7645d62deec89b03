"""An emulated ISA PC as a peer: POST codes and COM1 on ptys, driven by QMP. What it runs: firmware.py."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from .firmware import SCENARIOS, Value, lay

START_S = 10.0
"""How long the emulator may take until it answers."""


class EmulatedPc:
    """One emulated PC, paused before its first instruction: open the links, then `go()`.

    `bios` is a 64 KiB image, or None for the emulator's own SeaBIOS. `roms` maps addresses to images that are
    put into memory (overlaps as on a bus). `post_ports` are the I/O ports whose byte writes appear on ptys;
    `post_port` is the pty of the first, `post_port_of` of each, `console_port` that of COM1.
    Use as a context manager; leaving it ends the emulator, and only that one.
    """

    def __init__(
        self,
        bios: bytes | None,
        roms: Mapping[int, bytes] | None = None,
        *,
        post_ports: Sequence[int] = (0x80,),
        machine: str = "isapc",
        extra: Sequence[str] = (),
        word_writes: bool = False,
        program: str = "qemu-system-i386",
    ) -> None:
        self._dir = Path(tempfile.mkdtemp(prefix="pc-"))
        self._process: subprocess.Popen[bytes] | None = None
        self._qmp: Qmp | None = None
        args = ["-M", machine, "-accel", "tcg", "-cpu", "486", "-m", "16"]
        args += ["-nodefaults", "-display", "none", "-S"]
        if bios is not None:
            args += ["-bios", self.keep("bios.img", bios)]
        for port in post_ports:
            name = f"post{port:x}"
            # The debug console ignores OUT 80h,AX; a serial port splits it into bytes, as the bus does for an
            # 8-bit card: low byte to `port`, high byte to `port` + 1, where this card does not listen.
            device = "isa-serial,index=1,irq=5" if word_writes else "isa-debugcon"
            args += ["-chardev", f"pty,id={name}", "-device", f"{device},iobase={port:#x},chardev={name}"]
        args += ["-chardev", "pty,id=com1", "-device", "isa-serial,chardev=com1,index=0"]
        if roms:
            base, image = lay(roms)
            args += ["-device", f"loader,file={self.keep('roms.img', image)},addr={base:#x},force-raw=on"]
        args += ["-qmp", f"unix:{self._dir / 'qmp'},server=on,wait=off", *extra]
        self._args = args
        self._program = program
        self._post_ports = tuple(post_ports)
        self.post_port_of: dict[int, str] = {}
        self.post_port = ""
        self.console_port = ""

    @classmethod
    def scenario(cls, name: str, *, post_ports: Sequence[int] = (0x80,), **defines: Value) -> EmulatedPc:
        """The test BIOS in one of `SCENARIOS`; `defines` override BIOS parameters, e.g. STEP_MS=50."""
        found = SCENARIOS[name]
        bios, roms = found.images(**defines)
        return cls(bios, roms, post_ports=post_ports, word_writes="WORD_HIGH" in {**found.defines, **defines})

    @classmethod
    def seabios(
        cls, option_roms: Sequence[bytes] = (), *, machine: str = "isapc", extra: Sequence[str] = ()
    ) -> EmulatedPc:
        """SeaBIOS as the emulator brings it: serial console on COM1, debug text on the pty of port 402h.

        It writes no POST codes; `post_port` is the pty of the debug text.
        """
        pc = cls(None, post_ports=(0x402,), machine=machine, extra=extra)
        pc._args += ["-fw_cfg", f"name=etc/sercon-port,file={pc.keep('sercon', bytes([0xF8, 0x03]))}"]
        for index, rom in enumerate(option_roms):
            pc._args += ["-option-rom", pc.keep(f"option{index}.rom", rom)]
        return pc

    def keep(self, name: str, data: bytes) -> str:
        """Write a file for the emulator; returns its full path (a bare name may be shadowed)."""
        path = self._dir / name
        path.write_bytes(data)
        return str(path)

    def __enter__(self) -> EmulatedPc:
        log = self._dir / "stderr"
        with log.open("wb") as errors:
            self._process = subprocess.Popen(
                [self._program, *self._args],
                cwd=self._dir,
                stdin=subprocess.DEVNULL,
                stdout=errors,
                stderr=errors,
            )
        try:
            self._qmp = Qmp(self._dir / "qmp", self._process, log)
            ptys = {row["label"]: row["filename"].removeprefix("pty:") for row in self._qmp.ask("query-chardev")}
        except BaseException:
            self.__exit__()
            raise
        self.post_port_of = {port: ptys[f"post{port:x}"] for port in self._post_ports}
        self.post_port = self.post_port_of[self._post_ports[0]] if self._post_ports else ""
        self.console_port = ptys["com1"]
        return self

    def __exit__(self, *exc: object) -> None:
        if self._qmp is not None:
            self._qmp.close()
        if self._process is not None:
            self._process.kill()
            self._process.wait()
        shutil.rmtree(self._dir, ignore_errors=True)

    def ask(self, command: str, **arguments: Any) -> Any:
        """One QMP command and its answer."""
        assert self._qmp is not None, "not started"
        return self._qmp.ask(command, **arguments)

    def go(self) -> None:
        """Power on: let the first instruction run. Open both links before."""
        self.ask("cont")

    def cont(self) -> None:
        """Go on after `stop`."""
        self.ask("cont")

    def stop(self) -> None:
        """Freeze the whole machine, its timers too: a hang of any length."""
        self.ask("stop")

    def reset(self) -> None:
        """Press the reset button."""
        self.ask("system_reset")

    def status(self) -> str:
        """ "prelaunch", "running", "paused", ...; a machine that hangs is still "running"."""
        return str(self.ask("query-status")["status"])

    @property
    def pid(self) -> int:
        assert self._process is not None, "not started"
        return self._process.pid


class Qmp:
    """The emulator's control socket: JSON lines, one answer per command, events in between ignored."""

    def __init__(self, path: Path, process: subprocess.Popen[bytes], log: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.settimeout(START_S)
        deadline = time.monotonic() + START_S
        while True:
            try:
                self._socket.connect(os.fspath(path))
                break
            except (FileNotFoundError, ConnectionRefusedError):
                if process.poll() is not None or time.monotonic() > deadline:
                    self._socket.close()
                    said = log.read_text(errors="replace").strip()
                    raise RuntimeError(f"qemu-system-i386 did not start: {said}") from None
                time.sleep(0.005)
        self._lines = self._socket.makefile("rb")
        self._lines.readline()
        self.ask("qmp_capabilities")

    def ask(self, command: str, **arguments: Any) -> Any:
        self._socket.sendall(json.dumps({"execute": command, "arguments": arguments}).encode() + b"\n")
        while line := self._lines.readline():
            answer = json.loads(line)
            if "error" in answer:
                raise RuntimeError(f"{command}: {answer['error']['desc']}")
            if "return" in answer:
                return answer["return"]
        raise RuntimeError(f"{command}: the emulator closed its control socket")

    def close(self) -> None:
        self._lines.close()
        self._socket.close()
