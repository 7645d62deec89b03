"""Links on the kernel's own 8250 and ftdi_sio drivers, in a guest; see `rig.guest` for what that cannot show."""

from __future__ import annotations

import os
import termios
import time
from pathlib import Path

import pytest
from links.hunted import Target
from links.port_rig import until
from rig.guest import Guest

pytestmark = [pytest.mark.peer("guest"), pytest.mark.alone]

PORTS = {"uart2": "/dev/ttyS2", "usb0": "/dev/ttyUSB0"}
BY_ID = "/dev/serial/by-id/usb-QEMU_QEMU_USB_SERIAL_BENCH{}-if00-port0"
EVERYTHING = bytes(range(256)) + b"\xff\xff\x00\xff\x00\x00" * 20 + bytes(reversed(range(256)))


def plug(guest: Guest, *names: str) -> None:
    """Plug adapters in one after the other, so that their numbers are known."""
    for n, name in enumerate(names):
        guest.plug(name)
        if name.startswith("usb"):
            guest(f"there('/dev/ttyUSB{n}', '{BY_ID.format(name[3:])}')")


@pytest.mark.parametrize("name", PORTS)
def test_every_value_arrives(guest: Guest, name: str) -> None:
    """All 256 values and runs of FFh and 00h, which the driver doubles and marks with: byte for byte, no fault."""
    plug(guest, name)
    guest("r = Reading(port); r.up()", port=PORTS[name])
    assert guest("r.reader.status().marks")
    for _ in range(4):
        guest.far[name].sendall(EVERYTHING)
    assert guest("r.got(size)", size=4 * len(EVERYTHING)) == (EVERYTHING * 4).hex()
    assert guest("r.reader.status().faults") == {"break": 0, "framing": 0, "parity": 0, "overrun": 0}


def test_a_break_stands_at_its_place(guest: Guest) -> None:
    """QEMU sends a break on the line between two runs of bytes; the 8250 driver marks it there."""
    plug(guest, "uart2")
    guest("r = Reading('/dev/ttyS2', modem_lines=False); r.up()")
    guest.far["uart2"].sendall(b"before")
    guest("r.got(6)")
    guest.monitor("chardev-send-break", id="uart2")
    until(lambda: ["break", 1] in guest("r.told()"), "the break")
    guest.far["uart2"].sendall(b"after")
    guest("r.got(11)")
    told = guest("r.told()")
    place = told.index(["break", 1])
    assert bytes.fromhex("".join(told[:place])) == b"before"
    assert bytes.fromhex("".join(told[place + 1 :])) == b"after"


def test_an_overrun_is_counted(guest: Guest) -> None:
    """More than the FIFO of 16 holds comes while the machine stands still: the driver's counter tells."""
    plug(guest, "uart2")
    guest("r = Reading('/dev/ttyS2'); r.up()")
    guest.monitor("stop")
    for _ in range(20):
        guest.monitor("chardev-send-break", id="uart2")
    guest.monitor("cont")
    until(lambda: guest("r.reader.status().faults['overrun']") > 0, "the overrun")


def test_modem_lines(guest: Guest) -> None:
    """The UART's own loop joins DTR to DSR, RTS to CTS, OUT1 to RI and OUT2 to CD (TL16C550C data sheet, MCR bit 4)."""
    guest("plug = loop('/dev/ttyS1'); r = Reading('/dev/ttyS1'); r.up()")
    guest("import fcntl, struct, termios")
    until(lambda: guest("r.told()[-1:]") == [[True, True, False, True]], "CTS, DSR and CD on")
    guest("fcntl.ioctl(plug, termios.TIOCMBIC, struct.pack('i', termios.TIOCM_RTS))")
    until(lambda: guest("r.told()[-1:]") == [[False, True, False, True]], "CTS off")
    guest("fcntl.ioctl(plug, termios.TIOCMBIC, struct.pack('i', termios.TIOCM_DTR))")
    until(lambda: guest("r.told()[-1:]") == [[False, False, False, True]], "DSR off")
    guest("os.close(plug); os.close(loop('/dev/ttyS1', False))")


def test_lines_stay_off(guest: Guest) -> None:
    """The driver asserts DTR at every opening: it is off right after, for how long it was not is told and counted."""
    guest("r = Reading('/dev/ttyS1', dtr=False, rts=False)")
    assert "DTR and RTS asserted for up to" in guest("r.up()")
    assert guest("lines_off(1)")
    guest("stop_all(); import termios; fd = os.open('/dev/ttyS1', os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)")
    assert not guest("termios.tcgetattr(fd)[2] & termios.HUPCL")
    guest("os.close(fd)")


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"speed": 250_000}, "asked for 250000 bit/s, but "),
        ({"speed": 100_000}, "asked for 100000 bit/s, but 115200 is in force"),
        ({"port": "/dev/ttyUSB0", "data_bits": 6}, "asked for 6 data bits, but 8 are in force"),
    ],
)
def test_what_the_hardware_refuses(guest: Guest, settings: dict, said: str) -> None:
    """A 16550A cannot do 250,000, and takes 100,000 without a word; an FTDI adapter reads eight bits for six."""
    plug(guest, "usb0")
    assert said in guest("Reading(**settings).down()", settings={"port": "/dev/ttyS2"} | settings)


def test_what_is_in_force_is_told(guest: Guest) -> None:
    """QEMU sets its end of the line to what the guest's driver wrote into the divisor: the speed is the one stated."""
    assert guest("r = Reading('/dev/ttyS1', speed=19200, stop_bits=1.5); r.up(); r.states()[0]")[1:3] == [
        "open at 19200 bit/s, 8N2; asked for 1.5 stop bits, 2 are in force (reading is the same)",
        19200,
    ]
    assert termios.tcgetattr(guest.master)[5] == termios.B19200


def test_how_late_bytes_are_is_asked_after_opening(guest: Guest) -> None:
    """The adapter comes with a timer of 16 ms; opening asks the driver for less, and what it then has is stated."""
    plug(guest, "usb0")
    timer = "/sys/bus/usb-serial/devices/ttyUSB0/latency_timer"
    guest("open(timer, 'w').write('16')", timer=timer)
    assert guest("r = Reading('/dev/ttyUSB0'); r.up(); r.states()[0]")[3] == 6_000_000
    assert guest("int(open(timer).read())", timer=timer) == 1


@pytest.mark.parametrize("name", PORTS)
def test_who_has_the_port(guest: Guest, name: str) -> None:
    """Another user is kept out by the driver; root, who is not, is named."""
    plug(guest, name)
    guest("r = Reading(port); r.up(); os.chmod(port, 0o666)", port=PORTS[name])
    command = ["/bin/sh", "-c", f"exec 3<>{PORTS[name]}"]
    refused = guest(
        "done = subprocess.run(command, user=65534, group=65534, extra_groups=[], cwd='/', capture_output=True)\n"
        "[done.returncode, done.stderr.decode()]",
        command=command,
    )
    assert refused[0] != 0 and "busy" in refused[1]
    command = ["/bin/sh", "-c", f"exec sleep 60 <>{PORTS[name]}"]
    pid = guest("other = subprocess.Popen(command); other.pid", command=command)
    assert f"also open in sleep (process {pid}), which takes bytes away" in guest("r.up(2)")
    guest("other.kill(); other.wait()")
    assert "no other program has it open any more" in guest("r.up(3)")


@pytest.mark.parametrize(("name", "times"), [("uart2", 500), ("usb0", 200)])
def test_no_byte_goes_back(guest: Guest, name: str, times: int) -> None:
    """Opened over and over while bytes keep coming: after the first opening the driver keeps echo off, none returns."""
    plug(guest, name)
    guest(
        """
        from benchd.links.terminal import LineFormat, open_quietly, set_format
        def once():
            opened = open_quietly(port)
            set_format(opened.fd, LineFormat(115200))
            time.sleep(0.002)
            opened.close()
        once()
        """,
        port=PORTS[name],
    )
    far = guest.far[name]
    far.setblocking(False)
    for _ in range(times // 50):
        far.send(b"A" * 50)
        guest("for _ in range(50): once()")
    with pytest.raises(BlockingIOError):
        far.recv(1)


def test_replugged_under_another_number(guest: Guest) -> None:
    """Twenty times, every other time with the stranger first, which gets the name: only the own adapter is read."""
    replug(guest, 20)


@pytest.mark.long
@pytest.mark.timeout(1200)
def test_replugged_a_hundred_times(guest: Guest) -> None:
    """The same at length."""
    replug(guest, 100)


def replug(guest: Guest, times: int) -> None:
    plug(guest, "usb0", "usb1")
    guest("own = Reading('/dev/ttyUSB0', slow=True); own.up()")
    assert BY_ID.format(0) in guest("own.states()[0][1]")
    took, sent = [], b""
    for n in range(times):
        guest.unplug_all()
        guest("gone(); own.down(n + 1)", n=n)
        swapped = n % 2 == 0
        first, second = ("usb1", "usb0") if swapped else ("usb0", "usb1")
        guest.plug(first)
        guest("there('/dev/ttyUSB0')")
        guest.plug(second)
        device = "ttyUSB1" if swapped else "ttyUSB0"
        took.append(guest("own.up_after(device, n + 2)", device=device, n=n))
        guest.far["usb1"].sendall(b"not mine")
        guest.far["usb0"].sendall(b"own %03d" % n)
        sent += b"own %03d" % n
        assert guest("own.got(size)", size=len(sent)) == sent.hex(), guest("own.states()")
        assert ("by now" in guest("own.last_state().reason")) == swapped
    in_time(took)


def in_time(took: list[float]) -> None:
    """Tries by time would come after half an hour: the kernel told. On a clock that counts the guest's instructions
    (-icount shift=1) the longest of twenty was 0.06 s; the emulator's own pace is the host's load, and no promise."""
    print(f"up after the device came: median {sorted(took)[len(took) // 2]:.3f} s, at most {max(took):.3f} s")
    assert max(took) < 60


def test_a_steady_name_is_up_at_once(guest: Guest) -> None:
    """udev makes the name some time after the device: the link is up as soon as it is there."""
    name = BY_ID.format(2)
    guest("r = Reading(name, slow=True); r.down()", name=name)
    took = []
    for n in range(5):
        guest.plug("usb2")
        took.append(guest("there(name); r.up_after('ttyUSB0', n + 1)", name=name, n=n))
        guest.unplug("usb2")
        guest("r.down(n + 2); gone()", n=n)
    in_time(took)


def test_the_rule_gives_names_and_rights(guest: Guest) -> None:
    """config/udev/70-benchd.rules, by real udev: a name by serial number, the group, and the latency timer at 1 ms."""
    rule = (Path(__file__).parents[2] / "config/udev/70-benchd.rules").read_text(encoding="utf-8")
    guest(
        "open('/run/udev/rules.d/70-benchd.rules', 'w').write(rule)\n"
        "subprocess.run(['udevadm', 'control', '--reload'], check=True)",
        rule=rule,
    )
    try:
        plug(guest, "usb0")
        guest("there('/dev/bench/BENCH0')")
        assert guest("os.path.realpath('/dev/bench/BENCH0')") == "/dev/ttyUSB0"
        assert guest("int(open('/sys/bus/usb-serial/devices/ttyUSB0/latency_timer').read())") == 1
        assert guest("import grp; grp.getgrgid(os.stat('/dev/ttyUSB0').st_gid)[0]") == "dialout"
        guest("r = Reading('/dev/bench/BENCH0'); r.up()")
        guest.far["usb0"].sendall(b"x")
        assert guest("r.got(1)") == b"x".hex()
    finally:
        guest(
            "os.unlink('/run/udev/rules.d/70-benchd.rules')\n"
            "subprocess.run(['udevadm', 'control', '--reload'], check=True)"
        )


def test_the_ports_are_listed_with_their_steady_names(guest: Guest) -> None:
    """`benchd ports` offers the name that follows the adapter first, and warns of the numbered one."""
    plug(guest, "usb0")
    text = guest("from benchd.links.ports import find_ports, ports_text; ports_text(find_ports())")
    assert f'port = "{BY_ID.format(0)}"' in text
    assert "/dev/ttyUSB0 may be another adapter" in text


def test_the_speed_is_found(guest: Guest) -> None:
    """What comes is garbled while the driver's divisor is another speed than the sender's; the hunt finds it."""
    guest("r = Reading('/dev/ttyS1', speed='hunt'); r.up()")
    text = b"Bench BIOS 1.02\r\n00640 KB OK\r\nFixed disk 0: 40 MB\r\nstorage rom ready\r\n"
    os.set_blocking(guest.master, True)
    with Target(guest.master, text, 19200, size=60, pause_s=0.1) as target:
        until(lambda: guest("r.reader.status().speed") == 19200, "19200 found")
    assert {9600, 115200, 19200} <= set(target.tried)
    assert guest("r.states()[-1][2]") == 19200


def test_a_whole_daemon(guest: Guest, tmp_path: Path) -> None:
    """`benchd run` on both kinds of port: a boot's codes and text are kept and judged."""
    plug(guest, "usb0", "uart2")
    settings = (
        '[bench]\ndata = "/mnt/data"\n[http]\nlisten = "127.0.0.1:8650"\n[[machine]]\nname = "at"\n'
        'rules = "test-firmware"\n'
        f'[[machine.link]]\nkind = "post"\nport = "{BY_ID.format(0)}"\n'
        '[[machine.link]]\nkind = "console"\nport = "/dev/ttyS2"\n'
    )
    guest(
        """
        import json, sys, urllib.request
        open('/mnt/bench.toml', 'w').write(settings)
        log = open('/mnt/log', 'w')
        command = [sys.executable, '-m', 'benchd', 'run', '--config', '/mnt/bench.toml']
        daemon = subprocess.Popen(command, stdout=log, stderr=log)
        def health():
            try:
                with urllib.request.urlopen('http://127.0.0.1:8650/api/health', timeout=5) as answer:
                    return json.load(answer)
            except OSError:
                return None
        """,
        settings=settings,
    )
    try:
        end = time.monotonic() + 150
        while not guest("health()"):
            assert time.monotonic() < end, guest("open('/mnt/log').read()")
            time.sleep(1)
        until(lambda: guest("open('/mnt/log').read()").count("open at 9600") >= 2, "both links up")
        guest.far["usb0"].sendall(bytes([0x01, 0x02, 0x03]))
        guest.far["uart2"].sendall(b"Bench BIOS\r\n")
        time.sleep(2)
    finally:
        guest("daemon.terminate(); daemon.wait(60)", timeout_s=70)
    kept = guest(
        """
        from benchd.capture.reader import read_capture
        from benchd.vocabulary.records import Chunk, LinkState
        records = [r for path in glob.glob('/mnt/data/captures/*/*.pcapng') for r in read_capture(path).records()]
        chunks = [r for r in records if isinstance(r, Chunk)]
        data = {n: b''.join(r.data for r in chunks if r.link == n) for n in ('post', 'console')}
        ups = {r.link: [r.speed, r.latency_ns] for r in records if isinstance(r, LinkState) and r.up}
        {n: [data[n].hex(), *ups[n]] for n in data}
        """
    )
    fifo_ns = 4 * 1_041_667  # four characters of 9600 8N1, the time-out of a 16550's FIFO (TL16C2550, table 5)
    assert kept == {
        "post": [bytes([1, 2, 3]).hex(), 9600, 6_000_000],
        "console": [b"Bench BIOS\r\n".hex(), 9600, 5_000_000 + fifo_ns],
    }


def test_the_loopback_check(guest: Guest) -> None:
    """The UART's own loop is the plug: every value, the break, the lines, the driver's faults."""
    report = guest(
        """
        from dataclasses import asdict
        from benchd.links.loopback import run_loopback
        plug = loop('/dev/ttyS1')
        report = run_loopback('/dev/ttyS1', (9600, 250000), long_s=0.2)
        os.close(plug)
        os.close(loop('/dev/ttyS1', False))
        asdict(report)
        """
    )
    good, refused = report["speeds"]
    assert (good["values"], good["received"]) == (256, good["sent"])
    assert good["faults"] == []
    assert "asked for 250000 bit/s" in refused["trouble"]
    assert report["lines"] == {"DTR": ["DSR"], "RTS": ["CTS"]}
