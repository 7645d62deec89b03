"""`benchd setup` over real ptys with the simulated machine: by options, by questions, swapped, ended, and refused."""

from __future__ import annotations

import contextlib
import fcntl
import os
import re
import subprocess
import termios
import threading
import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import SimpleNamespace

import pytest
from support import started
from support.daemon import BENCHD, wait_for

from benchd.cli import setup as command
from benchd.cli.first_settings import NewLink, settings_text
from benchd.cli.main import build
from benchd.cli.rulefind import all_tables
from benchd.cli.setuptext import heard_text
from benchd.demo.at286 import START, behaviour
from benchd.demo.machine import Operator, SimMachine
from benchd.demo.steps import PostFormat, hex_code, raw_code
from benchd.links.identity import Adapter
from benchd.links.ports import CARD_PRODUCT, PortFacts, ports_text
from benchd.settings import load_settings
from benchd.vocabulary.records import Chunk, LinkInfo, LinkState
from benchd.watch.listening import Heard

ROOT = Path(__file__).resolve().parents[2]
ENV = {key: value for key, value in os.environ.items() if key != "BENCHD_CONFIG"}


class Switch:
    """The machine's switch: while `on` is set it boots; `off` is set once it rests."""

    def __init__(self) -> None:
        self.on, self.off = threading.Event(), threading.Event()
        self.on.set()


@contextlib.contextmanager
def booting(folder: Path, form: PostFormat = raw_code, switch: Switch | None = None) -> Iterator[SimMachine]:
    """The simulated machine, booting again and again: its ports are `card` and `cable` in `folder`."""
    switch = switch or Switch()
    with SimMachine(
        speed=20, post_format=form, links={"post": folder / "card", "console": folder / "cable"}
    ) as machine:
        operator = Operator(behaviour, machine, off_s=16)  # 0.8 s: what parts boots by silence is half a second

        def again() -> None:
            while not machine.stopping.is_set():
                if switch.on.is_set():
                    switch.off.clear()
                    operator.boot(START)
                else:
                    switch.off.set()
                    switch.on.wait(0.05)

        thread = threading.Thread(target=again)
        thread.start()
        try:
            yield machine
        finally:
            machine.stop()
            thread.join()


class AtTerminal:
    """`benchd WORDS` with a pty for its input and output; `text` is what it has shown."""

    def __init__(self, folder: Path, *words: str) -> None:
        self.master, slave = os.openpty()
        self.process = subprocess.Popen(
            [*BENCHD, *words], cwd=folder, env=ENV, stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )  # fmt: skip
        os.close(slave)
        os.set_blocking(self.master, False)
        self.text = ""

    def read(self) -> str:
        with contextlib.suppress(OSError):
            self.text += os.read(self.master, 4096).decode()
        return self.text

    def until(self, words: str, since: int = 0) -> None:
        """Read until `words` are there; fails with what was shown, and before the test's own time is up."""
        with contextlib.suppress(AssertionError):
            wait_for(lambda: words in self.read()[since:] or self.process.poll() is not None, 45)
        assert words in self.read()[since:], self.text

    def answers(self, *pairs: tuple[str, str]) -> None:
        """Wait for each question that holds the first, and type the second."""
        at = 0
        for question, answer in pairs:
            self.until(question, at)
            at = len(self.text)
            os.write(self.master, answer.encode())

    def ports_by_hand(self) -> None:
        """Say of each port that this computer has that nothing is at it, until one is asked for."""
        for asked in range(1, 1000):
            wait_for(lambda asked=asked: self.read().count("[n]: ") == asked or "Port (a" in self.text, 60)  # type: ignore[misc]
            if "Port (a" in self.text:
                return
            os.write(self.master, b"\n")

    def __enter__(self) -> AtTerminal:
        return self

    def __exit__(self, *exc: object) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()

    def ends(self) -> int:
        wait_for(lambda: (self.read(), self.process.poll() is not None)[1], 60)
        self.read()
        os.close(self.master)
        return self.process.returncode


def written(folder: Path, name: str = "bench.toml") -> dict[str, object]:
    (machine,) = tomllib.loads((folder / name).read_text())["machine"]
    return machine  # type: ignore[no-any-return]


def nothing_in(folder: Path, *expected: str) -> bool:
    return sorted(path.name for path in folder.iterdir()) == sorted(expected)


def run(folder: Path, *words: str) -> tuple[int, str]:
    done = started.run(["setup", *words], cwd=folder, env=ENV)
    assert "Traceback" not in done.stderr
    return done.returncode, done.stdout + done.stderr


def test_by_options(tmp_path: Path) -> None:
    """Without a terminal nothing is asked: what each link says is shown, and what was found is written."""
    with booting(tmp_path):
        code, said = run(tmp_path, "--post", "card", "--console", "cable", "--rules", "demo-at286", "--listen", "60s")
    assert code == 0, said
    assert "read as raw" in said and "speed 9600 found" in said and 'text: "' in said
    assert written(tmp_path) == {
        "name": "pc",
        "rules": "demo-at286",
        "link": [
            {"kind": "post", "port": "card", "speed": 9600, "framing": "raw"},
            {"kind": "console", "port": "cable", "speed": 9600},
        ],
    }
    load_settings(tmp_path / "bench.toml")


def test_a_card_that_sends_hex_is_recognised(tmp_path: Path) -> None:
    with booting(tmp_path, hex_code):
        code, said = run(tmp_path, "--post", "card", "--listen", "60s")
    assert code == 0 and "read as hex" in said
    assert written(tmp_path)["link"] == [{"kind": "post", "port": "card", "speed": 9600, "framing": "hex"}]


def test_by_questions(tmp_path: Path) -> None:
    """At a terminal, from nothing: a port by hand, a name, a table by what the chip says; nothing but answers typed."""
    with booting(tmp_path), AtTerminal(tmp_path, "setup", "--listen", "60s") as setup:
        setup.ports_by_hand()
        setup.answers(("", "cable\n"), ("cable: [c]", "\n"), ("Name of the machine", "at286\n"))
        setup.answers(("record only", "seabios\n"), ("Answer with", "seabios-text\n"))
        assert setup.ends() == 0, setup.text
    assert written(tmp_path)["name"] == "at286" and written(tmp_path)["rules"] == "seabios-text"
    assert written(tmp_path)["link"] == [{"kind": "console", "port": "cable", "speed": 9600}]
    assert "bench.toml written. Now watch: `benchd run`" in setup.text


def test_swapped_ports_are_turned_round(tmp_path: Path) -> None:
    """Text on the card's port: with a terminal one key exchanges them, without one the right command is told."""
    with booting(tmp_path):
        words = ("--post", "cable", "--console", "card", "--listen", "60s")
        code, said = run(tmp_path, *words)
        assert code == 1 and "nothing was written; start again with --console cable --post card" in said
        assert nothing_in(tmp_path, "cable", "card")
        with AtTerminal(tmp_path, "setup", *words) as setup:
            setup.answers(("Write them the other way round?", "\n"))
            assert setup.ends() == 0, setup.text
    assert [(link["kind"], link["port"]) for link in written(tmp_path)["link"]] == [  # type: ignore[attr-defined]
        ("console", "cable"),
        ("post", "card"),
    ]


@pytest.mark.parametrize("at", ["Name of", "record only", "Listening for"])
def test_ctrl_c_leaves_nothing(tmp_path: Path, at: str) -> None:
    """Wherever it is pressed: no file, no part of one, and it is said."""
    links = {"post": tmp_path / "card", "console": tmp_path / "cable"}
    with SimMachine(links=links), AtTerminal(tmp_path, "setup") as setup:
        setup.ports_by_hand()
        asked = [("", "cable\n"), ("cable: [c]", "\n"), ("Name of", "\n"), ("record only", "\n"), ("Listening for", "")]
        for question, answer in asked:
            if question == at:
                break
            setup.answers((question, answer))
        setup.until(at)
        os.write(setup.master, b"\x03")
        assert setup.ends() == 1 and "nothing was written" in setup.text
        assert nothing_in(tmp_path, "cable", "card")


def test_nothing_is_written_over(tmp_path: Path) -> None:
    """A file that is there stays; another name is told, and offered at a terminal."""
    (tmp_path / "bench.toml").write_text("# mine\n")
    (tmp_path / "bench-2.toml").write_text("# mine too\n")
    code, said = run(tmp_path, "--console", "cable", "--listen", "0")
    assert code == 2 and "bench.toml exists and is never written over: give another name, such as --out bench-3" in said
    with AtTerminal(tmp_path, "setup", "--console", "cable", "--listen", "0") as setup:
        setup.answers(("Write to [bench-3.toml]", "\n"))
        assert setup.ends() == 0 and "`benchd run --config bench-3.toml`" in setup.text
    assert (tmp_path / "bench.toml").read_text() == "# mine\n" and written(tmp_path, "bench-3.toml")["name"] == "pc"


def test_a_speed_that_nothing_has_is_remarked(tmp_path: Path) -> None:
    """It is taken as given, for what may come of it, and the nearest usual one is named."""
    code, said = run(tmp_path, "--console", "cable@9601", "--listen", "0")
    assert code == 0 and "9601 bit/s is no usual speed; did you mean 9600?" in said
    assert "speed = 9601" in (tmp_path / "bench.toml").read_text()
    (tmp_path / "bench.toml").unlink()
    code, said = run(tmp_path, "--console", "cable@19200", "--listen", "0")
    assert code == 0 and "no usual speed" not in said


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        ("", 2, "say what is on which port: --console PORT, --post PORT, or both. Ports found: "),
        ("--console none", 1, "none is not there, so nothing was written: `benchd ports` lists what is"),
        ("--console none --rules nonsense", 2, "no rule table 'nonsense'"),
        ("--console none --listen soon", 2, "--listen: 'soon' is not a duration"),
        ("--console gopher://x", 2, "starts with no known scheme"),
        ("--console none@9999999 --listen 0", 2, "is not in 1..4000000"),
    ],
)
def test_what_cannot_be_is_refused(tmp_path: Path, words: str, code: int, says: str) -> None:
    """With the reason, and nothing is left in the folder."""
    got, said = run(tmp_path, *words.split())
    assert got == code and says in said, said
    assert nothing_in(tmp_path)


def test_the_steady_name_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A numbered name is replaced by the one that follows the adapter, and that is said."""
    steady = {"/dev/ttyUSB0": ("/dev/serial/by-id/usb-A-if00-port0",)}
    monkeypatch.setattr(command, "steady_names", lambda port: steady.get(port, ()))
    monkeypatch.chdir(tmp_path)
    from typer.testing import CliRunner

    done = CliRunner().invoke(build(), ["setup", "--console", "/dev/ttyUSB0", "--listen", "0"])
    assert done.exit_code == 0 and "/dev/ttyUSB0 may be another adapter after replugging" in done.output
    assert written(tmp_path)["link"][0]["port"] == "/dev/serial/by-id/usb-A-if00-port0"  # type: ignore[index]


def test_ports_that_are_found_are_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each free port once; one that cannot be used says why and is left out."""
    names = ("/dev/serial/by-id/usb-A",)
    ports = [
        PortFacts("/dev/ttyUSB0", "usb", "Adapter", names=names),
        PortFacts("/dev/ttyUSB1", "usb", usable=False, advice="no permission"),
        PortFacts("/dev/ttyS0", "uart"),
    ]
    answers = iter(["x", "p", "n"])
    said: list[str] = []
    monkeypatch.setattr(command, "find_ports", lambda: ports)
    monkeypatch.setattr(command, "typer", SimpleNamespace(prompt=lambda *words, **more: next(answers)))
    monkeypatch.setattr(command, "say", said.append)
    assert command._ask_for_ports(True) == [NewLink("post", "/dev/serial/by-id/usb-A", 9600)]
    refused = "  'x' is none of these: answer c, p or n; or the path of another port."
    assert said == ["/dev/ttyUSB0  Adapter", refused, "/dev/ttyUSB1", "  left out: no permission", "/dev/ttyS0"]


class Answering:
    """Stands in for the library that asks: gives answers in turn, notes the questions and what is usual."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *answers: object) -> None:
        self.answers, self.asked, self.said = list(answers), list[tuple[str, object]](), list[str]()
        monkeypatch.setattr(command, "typer", SimpleNamespace(prompt=self.ask, confirm=self.ask))
        monkeypatch.setattr(command, "say", self.said.append)

    def ask(self, words: str, default: object = None, **more: object) -> object:
        self.asked.append((words, default))
        answer = self.answers.pop(0)
        return default if answer is None else answer


@pytest.mark.parametrize(
    ("answer", "kind"),
    [("c", "console"), ("cable", "console"), ("P", "post"), ("card", "post"), ("Diagnostic card", "post"), ("n", None)],
)
def test_words_are_answers_too(monkeypatch: pytest.MonkeyPatch, answer: str, kind: str | None) -> None:
    """`card` is the diagnostic card, though it begins as a cable does."""
    Answering(monkeypatch, answer)
    wanted = [] if kind is None else [(kind, "/dev/ttyS0")]
    assert [(link.kind, link.port) for link in command._ask_what_is_at(PortFacts("/dev/ttyS0", "uart"))] == wanted


def test_what_is_no_answer_is_told_why(monkeypatch: pytest.MonkeyPatch) -> None:
    at = Answering(monkeypatch, "cart", "", "no\x1b[31m", "c")
    assert command._ask_for_kind("What is at x", "c") == "c" and len(at.asked) == 4
    assert at.said[0] == "  'cart' is none of these: answer c, p or n." and "\x1b" not in "".join(at.said)


def test_another_port_may_be_typed_where_some_are_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The port that is listed is asked for again afterwards; one typed with a wrong speed is told, and not taken."""
    answers = ["socket://10.0.0.2:7000", "p", "/dev/pts/x@fast", "c", "/dev/pts/7", "n", "c"]
    at = Answering(monkeypatch, *answers)
    monkeypatch.setattr(command, "find_ports", lambda: [PortFacts("/dev/ttyS0", "uart")])
    assert command._ask_for_ports(True) == [
        NewLink("post", "socket://10.0.0.2:7000", 9600),
        NewLink("console", "/dev/ttyS0", "hunt"),
    ]
    asked = [words.partition(": [")[0] for words, _ in at.asked if words.startswith("  ")]
    assert asked == ["  What is at it", *["  What is at /dev/ttyS0"] * 3]
    assert any("'fast' is no speed" in line for line in at.said)


def test_the_self_built_card_is_known(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """By what it calls itself on USB: what is at it is offered, and its frames and speed are written."""
    facts = PortFacts("/dev/ttyACM0", "usb", f"{CARD_PRODUCT} - CDC", names=("/dev/serial/by-id/usb-card",))
    at = Answering(monkeypatch, None)
    (link,) = command._ask_what_is_at(facts)
    assert at.asked[0][1] == "p" and (link.kind, link.port) == ("post", "/dev/serial/by-id/usb-card")
    adapter = Adapter("1209:0001", "1", "00", "1-1", CARD_PRODUCT)
    monkeypatch.setattr(command, "adapter_of", lambda port: adapter if port == link.port else None)
    (tmp_path / "bench.toml").write_text(settings_text("pc", "record", [command._own_card(link)]))
    settled = load_settings(tmp_path / "bench.toml").settings.machine[0].link[0]
    listed = ports_text([facts]).partition("By hand, this belongs there:")[2]
    (of_ports,) = tomllib.loads(listed)["machine"][0]["link"]
    assert of_ports == {"kind": "post", "port": link.port, "framing": settled.framing, "speed": settled.speed}
    other = NewLink("post", "/dev/ttyUSB3", 9600)
    assert command._own_card(other) == other


def test_one_table_that_may_be_meant_is_shown_and_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """The demo's is never the usual answer: no real machine has its codes, though many are called like its machine."""
    at = Answering(monkeypatch, "at286", None, "record")
    assert command._ask_for_table() == "record"
    assert "the simulated machine of `benchd demo`" in at.said[1] and at.asked[1] == ("  Judge by this table?", False)
    at = Answering(monkeypatch, "at286", True)
    assert command._ask_for_table() == "demo-at286"
    only = [one for one in all_tables() if one.name == "at-p0411"]
    monkeypatch.setattr(command, "all_tables", lambda: only)
    at = Answering(monkeypatch, "p0411 board", None)
    assert command._ask_for_table() == "at-p0411" and at.asked[1] == ("  Judge by this table?", True)


def test_all_ports_are_looked_at_before_anything_is_listened_to(tmp_path: Path) -> None:
    """Nobody is asked to switch a machine on for ports that are not there; each of them is named."""
    with booting(tmp_path):
        code, said = run(tmp_path, "--console", "cable", "--post", "none")
        assert code == 1 and "none is not there, so nothing was written" in said and "Switch the machine on" not in said
        code, said = run(tmp_path, "--console", "no-cable", "--post", "no-card")
        assert code == 1 and "no-card and no-cable are not there" in said and "Switch the machine on" not in said
        assert nothing_in(tmp_path, "cable", "card")


def test_where_nothing_was_heard_one_may_listen_again(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """As often as one likes; Enter goes on. Nobody is asked where all links spoke, or without a terminal."""
    info, up = LinkInfo("console", "console", "text"), LinkState("console", 0, True, "open", 9600)
    quiet, spoke = Heard(info, [up], up), Heard(info, [up], up, received=4)
    rounds = iter([[quiet], [quiet], [spoke], [quiet], [quiet]])
    monkeypatch.setattr(command, "listen", lambda part, seconds: next(rounds))
    monkeypatch.setattr(command, "_check_all_there", lambda links: None)
    links = [NewLink("console", "x", 9600)]

    def heard_with(asks: bool) -> None:
        command._listen(links, settings_text("pc", "record", links), tmp_path / "bench.toml", 1, asks)

    at = Answering(monkeypatch, True, True)
    heard_with(True)
    assert [words for words, _ in at.asked] == ["Nothing came from x. Listen once more?"] * 2
    at = Answering(monkeypatch, None)
    heard_with(True)
    assert len(at.asked) == 1
    heard_with(False)
    assert len(at.asked) == 1 and next(rounds, None) is None


def test_what_follows_the_at_sign_is_a_speed(tmp_path: Path) -> None:
    """Or the end of the name of a port that there is; anything else is told as what it is, by `run` as well."""
    for words in (["setup"], ["run"]):
        done = started.run([*words, "--console", "cable@fast"], cwd=tmp_path, env=ENV)
        assert done.returncode == 2 and "cable@fast: 'fast' is no speed" in done.stderr and "cable@9600" in done.stderr
    assert nothing_in(tmp_path)
    (tmp_path / "usb-a@b").touch()
    assert NewLink.given("post", str(tmp_path / "usb-a@b")).port == str(tmp_path / "usb-a@b")
    assert NewLink.given("console", "/dev/serial/by-path/pci@1/usb") == NewLink(
        "console", "/dev/serial/by-path/pci@1/usb", "hunt"
    )


def heard(*records: object, kind: str = "console", left_out: int = 0) -> Sequence[str]:
    one = Heard(LinkInfo(kind, kind, "text" if kind == "console" else "raw"), left_out=left_out)  # type: ignore[arg-type]
    for record in records:
        one.take(record)  # type: ignore[arg-type]
    return list(heard_text(one))


def test_what_a_link_says() -> None:
    up = LinkState("post", 0, True, "open at 9600 bit/s, 8N1", 9600)
    assert heard() == ["nothing came: the machine was off, or says nothing here, or the cable is another one"]
    assert heard(left_out=7) == ["7 bytes came, and read as text at no speed yet: it is hunted for at each start"]
    assert heard(up, Chunk("post", 1, b"\x01"), kind="post") == [up.reason, "code 01, read as raw"]
    assert heard(up, Chunk("post", 1, bytes(range(10))), kind="post")[1:] == [
        "codes 00 01 02 03 04 05 06 07 and 2 more, read as raw"
    ]
    assert heard(LinkState("console", 0, False, "x: no such port")) == ["x: no such port"]


def test_ports_prints_the_snippet() -> None:
    """What `benchd ports` shows for the settings is settings, once the indent is off."""
    text = ports_text(
        [PortFacts("/dev/ttyS0", "uart"), PortFacts("/dev/ttyUSB0", "usb", names=("/dev/serial/by-id/u",))]
    )
    head, _, rest = text.partition("By hand, this belongs there:")
    (machine,) = tomllib.loads(rest)["machine"]
    assert [link["port"] for link in machine["link"]] == ["/dev/ttyS0", "/dev/serial/by-id/u"]
    assert "`benchd setup` asks what is at each port, listens, and writes bench.toml." in head


def test_what_is_written_says_what_it_means(tmp_path: Path) -> None:
    """Each line of the file that a person may want to change has its comment; odd names are written safely."""
    path = tmp_path / "bench.toml"
    path.write_text(settings_text('a "b"', "record", [NewLink("console", "/dev/x", "hunt")]))
    assert load_settings(path).settings.machine[0].name == 'a "b"'
    keys = [line for line in path.read_text().splitlines() if line.partition(" = ")[0] in ("rules", "kind", "speed")]
    assert len(keys) == 3 and all("   # " in line for line in keys)


def test_from_clone_to_a_stamped_boot(tmp_path: Path) -> None:
    """The README's five commands: the three of benchd are typed as they stand there, with eleven keys for answers."""
    block = (
        (ROOT / "README.md").read_text().split("nothing is typed into an editor:\n")[1].split("`benchd setup` asks")[0]
    )
    shown = [line.partition("#")[0].split() for line in block.splitlines() if line.strip()]
    assert len(shown) == 5 and [words[0] for words in shown[2:]] == [".venv/bin/benchd"] * 3
    setup, watch, show = (words[1:] for words in shown[2:])
    keys = ["cable\n", "\n", "\n", "\n"]
    switch = Switch()
    with booting(tmp_path, switch=switch):
        with AtTerminal(tmp_path, *setup) as asked:
            asked.ports_by_hand()
            asked.answers(*zip(("", "cable: [c]", "Name of the machine", "record only"), keys, strict=True))
            assert asked.ends() == 0, asked.text
        assert sum(map(len, keys)) < 12
        path = tmp_path / "bench.toml"
        path.write_text('[http]\nlisten = "127.0.0.1:0"\n' + path.read_text())  # the usual one may be taken here
        switch.on.clear()
        assert switch.off.wait(60)
        with AtTerminal(tmp_path, *watch) as running:
            running.until("console: open at 9600")
            switch.on.set()  # as the README says: a boot that is joined in the middle has no beginning to come again
            running.until("boot recorded: ")
            os.write(running.master, b"\x03")
            assert running.ends() == 0, running.text
    done = started.run(show, cwd=tmp_path, env=ENV)
    assert done.returncode == 0 and "recorded" in done.stdout and " console line" in done.stdout, (
        done.stdout + done.stderr
    )


def test_the_readme_and_the_example_name_one_table() -> None:
    named = {
        re.search(r'^\s*rules = "(.+?)"', (ROOT / page).read_text(), re.MULTILINE)[1]  # type: ignore[index]
        for page in ("README.md", "config/bench.toml")
    }
    assert named == {"at-p0411"}
    assert "benchd live --config" not in (ROOT / "README.md").read_text()
