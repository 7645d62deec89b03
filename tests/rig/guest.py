"""A small Linux guest in which the kernel's own 8250 and ftdi_sio drivers serve QEMU's UARTs and USB serial adapters.

The host's root is shared read-only by 9p, so the tree and the environment under test run inside, started by
`agent.py`. Ports: `uart` is /dev/ttyS1 (a 16550A whose far end is a pty of the host, which shows the speed that the
driver set), `uart2` is /dev/ttyS2, `usb0` to `usb2` are FTDI adapters that are plugged in by connecting to them.

What cannot be shown here: framing and parity errors, a break through the USB adapter, the analogue error of a speed,
FIFO depth and latency of real parts.
"""

from __future__ import annotations

import json
import os
import pty
import select
import shutil
import socket
import subprocess
import sys
import tempfile
import textwrap
import time
import tty
from pathlib import Path
from typing import Any

from rig import initramfs, packages

ROOT = Path(__file__).resolve().parents[2]
USB = ("usb0", "usb1", "usb2")
BOOT_S = 180.0


class GuestError(AssertionError):
    """Code inside the guest failed; the text is its traceback."""


class Monitor:
    """QEMU's machine protocol (QMP): one command, one answer."""

    def __init__(self, path: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.settimeout(30)
        self._socket.connect(path)
        self._file = self._socket.makefile("rw")
        self._file.readline()
        self("qmp_capabilities")

    def __call__(self, execute: str, **arguments: Any) -> Any:
        self._file.write(json.dumps({"execute": execute, "arguments": arguments}) + "\n")
        self._file.flush()
        while True:
            answer = json.loads(self._file.readline())
            if "error" in answer:
                raise GuestError(answer["error"]["desc"])
            if "return" in answer:
                return answer["return"]

    def close(self) -> None:
        self._file.close()
        self._socket.close()


class Guest:
    """A booted guest. Call it with Python to run inside; `far` has the far ends of its ports."""

    def __init__(self, memory_mb: int = 512) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="guest-"))
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        self._slave = slave
        self.far: dict[str, socket.socket] = {}
        self._waiting, self._asked = b"", 0
        kernel = packages.kernel_image()
        if kernel is None:
            raise FileNotFoundError("no kernel in the cache: python3 tests/rig/packages.py fetches it")
        agent = [
            "/usr/bin/env",
            f"PYTHONPATH={ROOT}:{ROOT / 'tests'}",
            sys.executable,
            str(ROOT / "tests/rig/agent.py"),
        ]
        trees = [ROOT, Path(sys.prefix), Path(sys.base_prefix)]
        initramfs.build(self.folder / "initrd", packages.busybox(), packages.modules(), agent, trees)
        self._began = time.monotonic()
        with (self.folder / "qemu.log").open("w") as log:
            self._process = subprocess.Popen(
                self._command(kernel, memory_mb), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=log
            )
        try:
            self._until_there("monitor", "agent")
            self.monitor = Monitor(str(self.folder / "monitor"))
            self._agent = self._connect("agent")
            self._answer(BOOT_S)
        except BaseException:
            self.close()
            raise
        self.boot_s = time.monotonic() - self._began

    def _command(self, kernel: Path, memory_mb: int) -> list[str]:
        where = self.folder

        def served(name: str) -> list[str]:
            return ["-chardev", f"socket,id={name},path={where / name},server=on,wait=off"]

        out = [
            "qemu-system-x86_64", "-M", "pc,usb=off", "-accel", "tcg", "-cpu", "max", "-m", str(memory_mb), "-smp", "1",
            "-nodefaults", "-display", "none", "-no-reboot",
            "-kernel", str(kernel), "-initrd", str(where / "initrd"), "-append",
            "console=ttyS0,115200 loglevel=5 panic=-1 rdinit=/init tsc=reliable net.ifnames=0 mitigations=off",
            "-chardev", f"file,id=console,path={where / 'console.log'}",
            "-device", "isa-serial,chardev=console,index=0",
            "-device", "virtio-serial-pci", *served("agent"), "-device", "virtserialport,chardev=agent,name=agent",
            "-qmp", f"unix:{where / 'monitor'},server=on,wait=off",
            "-virtfs", "local,path=/,mount_tag=host,security_model=none,readonly=on,multidevs=remap",
            "-device", "qemu-xhci,id=xhci",
            "-chardev", f"serial,id=uart,path={os.ttyname(self._slave)}", "-device", "isa-serial,chardev=uart,index=1",
            *served("uart2"), "-device", "isa-serial,chardev=uart2,index=2",
        ]  # fmt: skip
        for name in USB:
            out += served(name)
            out += [
                "-device",
                f"usb-serial,chardev={name},id={name},bus=xhci.0,always-plugged=off,serial=BENCH{name[3:]}",
            ]
        return out

    def _until_there(self, *names: str) -> None:
        while not all((self.folder / name).exists() for name in names):
            if self._process.poll() is not None:
                raise GuestError((self.folder / "qemu.log").read_text())
            time.sleep(0.02)

    def _connect(self, name: str) -> socket.socket:
        end = socket.socket(socket.AF_UNIX)
        end.connect(str(self.folder / name))
        return end

    def __call__(self, code: str, timeout_s: float = 120.0, **names: Any) -> Any:
        """Run `code` inside, with `names` as variables (JSON values); return what its last line gives."""
        given = "".join(f"{name} = {value!r}\n" for name, value in names.items())
        self._send({"code": given + textwrap.dedent(code)})
        return self._answer(timeout_s)

    def forget(self) -> None:
        """Forget the variables of earlier calls."""
        self._send({"code": "import gc; gc.collect()", "reset": True})
        self._answer(120)

    def _send(self, request: dict[str, Any]) -> None:
        self._asked += 1
        self._agent.sendall(json.dumps(request | {"number": self._asked}).encode() + b"\n")

    def _answer(self, timeout_s: float) -> Any:
        end = time.monotonic() + timeout_s
        answer: dict[str, Any] = {}
        while answer.get("number") != self._asked:  # one that came too late for its own call is of no use any more
            answer = json.loads(self._line(end, timeout_s))
        if "error" in answer:
            raise GuestError(answer["error"] + answer.get("told", ""))
        return answer.get("value")

    def _line(self, end: float, timeout_s: float) -> bytes:
        while b"\n" not in self._waiting:
            if not select.select([self._agent], [], [], max(0.0, end - time.monotonic()))[0]:
                raise GuestError(f"no answer within {timeout_s} s; console:\n{self.console()}")
            got = self._agent.recv(65536)
            if not got:
                raise GuestError(f"the guest ended; console:\n{self.console()}")
            self._waiting += got
        line, self._waiting = self._waiting.split(b"\n", 1)
        return line

    def console(self) -> str:
        """Return the end of what the guest's kernel printed."""
        return (self.folder / "console.log").read_text(errors="replace")[-4000:]

    def plug(self, name: str) -> socket.socket:
        """Plug an adapter in (or reach a built-in port) and return its far end."""
        self.far[name] = self._connect(name)
        return self.far[name]

    def unplug(self, name: str) -> None:
        """Pull an adapter out."""
        self.far.pop(name).close()

    def unplug_all(self) -> None:
        for name in list(self.far):
            self.unplug(name)

    def close(self) -> None:
        self._process.kill()  # nothing in it is to be kept, and a blocked far end keeps it from ending by itself
        self._process.wait(20)
        for end in (*self.far.values(), *(getattr(self, k) for k in ("_agent", "monitor") if hasattr(self, k))):
            end.close()
        os.close(self.master)
        os.close(self._slave)
        shutil.rmtree(self.folder, ignore_errors=True)
