"""The settings file: every key is read, and everything wrong is told with file, line and key."""

from __future__ import annotations

import types
import typing
from pathlib import Path
from typing import Any

import pytest
import re2
from pydantic import BaseModel

from benchd.errors import ExternalError, UsageError
from benchd.settings import LinkPart, MachinePart, Settings, is_loopback, link_infos, load_settings, split_listen
from benchd.tomlfile import FileProblems

ROOT = Path(__file__).resolve().parents[2]
MACHINE = '[[machine]]\nname = "pc"\nrules = "at-p0410"\n'
LINK = '[[machine.link]]\nkind = "post"\nport = "/dev/ttyUSB0"\n'
EVERYTHING = """
[bench]
name = "bench1"
data = "d"
store = "postgresql://user@host/benchd"
capture_size_mb = 16
[http]
listen = "0.0.0.0:9000"
token_file = "token"
tls_cert = "page.pem"
tls_key = "page.key"
names = ["bench.lan"]
[metrics]
trial_series = 5
[mqtt]
url = "mqtts://broker:8884"
user = "bench"
password_file = "password"
ca_file = "ca.pem"
cert_file = "cert.pem"
key_file = "key.pem"
prefix = "lab/benchd"
keepalive = 20
client_id = "bench-1"
timeout = "3500ms"
retry_cap = "9s"
in_flight = 4
codes_kept = 1000
size_cap_mb = 32
archive = true
[archive]
store = "postgresql://reader@host/archive"
[alert]
command = ["/bin/true", "-x"]
timeout = "3s"
notify_file = "urls"
kinds = ["stall", "link"]
link_down_after = "2s"
flaps = 4
flap_window = "5min"
tries = 2
[[machine]]
name = "pc"
model = "at-clone-12"
share_limits = true
rules = "at-p0410"
map = "map.toml"
[[machine.link]]
kind = "post"
port = "/dev/ttyUSB0"
name = "card"
speed = 115200
data_bits = 7
parity = "E"
stop_bits = 1.5
framing = "pattern"
pattern = "(?P<code>[0-9A-F]{2})\\\\r"
code_port = "84"
tick = "1ms"
latency = "2ms"
lossy = true
encoding = "latin-1"
modem_lines = false
dtr = false
rts = false
hunt_rates = [300, 9600]
"""


def load(tmp_path: Path, text: str) -> Settings:
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return load_settings(path).settings


def wrong(tmp_path: Path, text: str) -> list[tuple[int, str, str]]:
    """Return (line, key, text) of each problem; every message begins with the file."""
    with pytest.raises(FileProblems) as caught:
        load(tmp_path, text)
    for line in str(caught.value).split("\n"):
        assert line.startswith(str(tmp_path / "bench.toml"))
    return [(p.line, p.key, p.text) for p in caught.value.problems]


def models(hint: Any) -> list[type[BaseModel]]:
    """The models inside a type hint."""
    if isinstance(hint, type) and not isinstance(hint, types.GenericAlias):
        return [hint] if issubclass(hint, BaseModel) else []
    return [model for part in typing.get_args(hint) for model in models(part)]


def test_every_key_is_read(tmp_path: Path) -> None:
    """A file with every key that the models have gives a value other than the default to each."""
    settings = load(tmp_path, EVERYTHING)

    apart = ("bench.name", "machine.link.speed", "archive.store_file")  # the last one stands in place of archive.store

    def walk(model: BaseModel, where: str) -> None:
        for name, field in type(model).model_fields.items():
            value = getattr(model, name)
            if models(field.annotation):
                for part in value if isinstance(value, list) else [value]:
                    walk(part, f"{where}{name}.")
            elif not field.is_required() and where + name not in apart:
                assert value != field.get_default(call_default_factory=True), f"{where}{name} is not in the file"

    walk(settings, "")
    (info,) = link_infos(settings.machine[0])
    assert (info.name, info.code_port, info.tick_s, info.latency_ns) == ("card", 0x84, 0.001, 2_000_000)
    assert (info.framing, info.stop_bits, info.encoding, info.lossy) == ("pattern", 1.5, "latin-1", True)


def test_the_noted_pattern_loads(tmp_path: Path) -> None:
    """The example of firmware-notes/card-framings.md, as it stands, is settings and reads its own line."""
    note = (ROOT / "firmware-notes/card-framings.md").read_text()
    section = note.split("\n## pattern\n")[1].split("\n## ")[0]
    keys = [line.strip() for line in section.splitlines() if line.startswith("    ")]
    head = '[[machine]]\nname = "x"\nrules = "at286"\n\n[[machine.link]]\nkind = "post"\nport = "/dev/ttyUSB0"\n'
    (info,) = link_infos(load(tmp_path, head + 'framing = "pattern"\n' + "\n".join(keys)).machine[0])
    assert info.tick_s == 0.001 and info.pattern is not None
    line = section.split("lines such as `")[1].split("`")[0]
    found = re2.search(info.pattern, line)
    assert found is not None and found.groupdict() == {"ticks": "001234", "port": "80", "code": "3A"}


def test_the_example_loads() -> None:
    """`config/bench.toml` is a working file, and with every comment sign taken off its keys it still is."""
    example = ROOT / "config/bench.toml"
    loaded = load_settings(example)
    assert [link.kind for link in loaded.settings.machine[0].link] == ["post", "console"]
    assert loaded.data == ROOT / "config/data" and loaded.store_url.endswith("benchd.db")
    import tomllib

    from benchd.tomlfile import validate

    lines = []
    for line in example.read_text().splitlines():
        bare = line[2:] if line.startswith("# ") else line
        key = bare.split(" = ")[0]
        lines.append(bare if bare.startswith("[") or (" = " in bare and " " not in key) else "")
    text = "\n".join(lines)
    assert {"mqtt", "alert", "metrics"} <= tomllib.loads(text).keys()
    validate(Settings, text.replace("mqtt://", "mqtts://"), "bench.toml")


@pytest.mark.parametrize(
    ("text", "line", "key", "says"),
    [
        ("[bench]\nnmae = 1\n", 2, "bench.nmae", "unknown key"),
        ('[bench]\nname = ""\n', 2, "bench.name", "must not be empty"),
        ('[bench]\nname = "a\\u202eb"\n', 2, "bench.name", "cannot be shown"),
        ("[bench]\ncapture_size_mb = 0\n", 2, "bench.capture_size_mb", "must be 1 or more"),
        ('[http]\nlisten = "127.0.0.1"\n', 2, "http.listen", "ADDRESS:PORT"),
        ('[http]\nlisten = ":80"\n', 2, "http.listen", "ADDRESS:PORT"),
        ('[http]\nlisten = "127.0.0.1:70000"\n', 2, "http.listen", "0..65535"),
        ('[http]\nnames = ["ok"]\nlisten = "0.0.0.0:80"\n', 3, "http.listen", "token_file"),
        ('[http]\nnames = ["ok",\n"a b"]\n', 3, "http.names[2]", "letters, digits, dot, hyphen"),
        ('[mqtt]\nurl = "http://x"\n', 2, "mqtt.url", "mqtt://"),
        ("[mqtt]\n", 1, "mqtt.url", "is missing"),
        ("[metrics]\ntrial_series = 0\n", 2, "metrics.trial_series", "must be 1 or more"),
        ('[alert]\nkinds = ["stall", "nonsense"]\n', 2, "alert.kinds[2]", "'stall'"),
        ('[alert]\ntimeout = "3 weeks"\n', 2, "alert.timeout", "not a duration"),
        ('[[machine]]\nname = "pc"\n' + LINK, 1, "machine[1].rules", "is missing"),
        (MACHINE, 1, "machine[1].link", "is missing"),
        (MACHINE + LINK + 'speed = "fast"\n', 7, "machine[1].link[1].speed", '"hunt"'),
        (MACHINE + LINK + "speed = 0\n", 7, "machine[1].link[1].speed", "1..4000000"),
        (MACHINE + LINK + "speed = true\n", 7, "machine[1].link[1].speed", "1..4000000"),
        (MACHINE + LINK + "data_bits = 9\n", 7, "machine[1].link[1].data_bits", "5, 6, 7 or 8"),
        (MACHINE + LINK + 'parity = "X"\n', 7, "machine[1].link[1].parity", "'N', 'E'"),
        (MACHINE + LINK + "stop_bits = 3\n", 7, "machine[1].link[1].stop_bits", "1, 1.5 or 2"),
        (MACHINE + LINK + 'framing = "morse"\n', 7, "machine[1].link[1].framing", "'raw', 'hex'"),
        (MACHINE + LINK + 'framing = "pattern"\n', 7, "machine[1].link[1].framing", "belong together"),
        (MACHINE + LINK + 'pattern = "(?P<code>..)"\n', 7, "machine[1].link[1].pattern", "belong together"),
        (MACHINE + LINK + 'tick = "1ms"\n', 7, "machine[1].link[1].tick", 'framing = "pattern" or "bench"'),
        (MACHINE + LINK.replace("post", "console") + 'tick = "1ms"\n', 7, "machine[1].link[1].tick", "for post links"),
        (
            MACHINE + LINK + 'framing = "pattern"\npattern = "(?P<code>(?=x))"\n',
            8,
            "machine[1].link[1].pattern",
            "bounded time",
        ),
        (
            MACHINE + LINK + 'framing = "pattern"\npattern = "(?P<cod>..)"\n',
            8,
            "machine[1].link[1].pattern",
            "unknown groups",
        ),
        (MACHINE + LINK + "code_port = 128\n", 7, "machine[1].link[1].code_port", "hex"),
        (MACHINE + LINK + 'encoding = "utf-16"\n', 7, "machine[1].link[1].encoding", "utf-16"),
        (MACHINE + LINK + 'encoding = "none such"\n', 7, "machine[1].link[1].encoding", "not known"),
        (MACHINE + LINK + 'name = "Card 1"\n', 7, "machine[1].link[1].name", "small letters, digits, hyphen"),
        (MACHINE + LINK.replace("/dev/ttyUSB0", "foo://x"), 6, "machine[1].link[1].port", "no known scheme"),
        (MACHINE + LINK.replace("/dev/ttyUSB0", "socket://x"), 6, "machine[1].link[1].port", "HOST:PORT"),
        (MACHINE + LINK.replace("/dev/ttyUSB0", ""), 6, "machine[1].link[1].port", "needed"),
        (
            MACHINE + LINK.replace("post", "console") + 'framing = "raw"\n',
            7,
            "machine[1].link[1].framing",
            "a console is text",
        ),
        (MACHINE + LINK + LINK, 9, "machine[1].link[2].port", "used by two links"),
        (MACHINE + LINK + MACHINE + LINK.replace("USB0", "USB1"), 8, "machine[2].name", "two machines"),
        ('[[machine]]\nname = "a\\nb"\nrules = "x"\n' + LINK, 2, "machine[1].name", "cannot be shown"),
        ("[bench]\nname = 'a'\nname = 'b'\n", 3, "", "TOML"),
        ("[bench\n", 1, "", "TOML"),
    ],
)
def test_errors_name_the_place(tmp_path: Path, text: str, line: int, key: str, says: str) -> None:
    """One mistake, one message: file, line, key, and what to write instead."""
    ((found_line, found_key, found_text),) = wrong(tmp_path, text)
    assert (found_line, found_key) == (line, key) and says in found_text


def test_all_mistakes_at_once(tmp_path: Path) -> None:
    """Several mistakes are all told, in the order of the file."""
    text = '[bench]\nnmae = "x"\n' + MACHINE + LINK + "speed = -1\nparity = 0\n"
    assert [(n, key) for n, key, _ in wrong(tmp_path, text)] == [
        (2, "bench.nmae"),
        (9, "machine[1].link[1].speed"),
        (10, "machine[1].link[1].parity"),
    ]


@pytest.mark.parametrize("listen", ["127.0.0.1:1", "localhost:8650", "[::1]:8650", "127.9.9.9:0"])
def test_loopback_needs_no_token(tmp_path: Path, listen: str) -> None:
    """127.0.0.0/8 and ::1 are loopback (RFC 1122 section 3.2.1.3, RFC 4291 section 2.5.3)."""
    assert load(tmp_path, f'[http]\nlisten = "{listen}"\n').http.listen == listen


@pytest.mark.parametrize("listen", ["0.0.0.0:1", "[::]:1", "192.168.0.7:1", "bench.lan:1", "[::ffff:0:1]:1"])
def test_other_addresses_need_one(tmp_path: Path, listen: str) -> None:
    """Anything that others may reach, a name included, needs a token file."""
    ((_, key, _),) = wrong(tmp_path, f'[http]\nlisten = "{listen}"\n')
    assert key == "http.listen"
    load(tmp_path, f'[http]\nlisten = "{listen}"\ntoken_file = "t"\n')


def test_split_listen() -> None:
    """IPv6 addresses are written in brackets (RFC 3986 section 3.2.2)."""
    assert split_listen("[::1]:80") == ("::1", 80) and split_listen("a.b:1") == ("a.b", 1)
    for bad in ("::1:80", "a:b:1", "a:", "a:-1", "a b:1", ""):
        with pytest.raises(ValueError, match="ADDRESS:PORT"):
            split_listen(bad)
    assert not is_loopback("") and not is_loopback("127.0.0.1.example.org")


def test_link_names_differ() -> None:
    """Names of links that the user left out never meet those given, or each other."""
    kinds = [("post", None), ("post", "post2"), ("post", None), ("console", None), ("post", "post")]
    links = [LinkPart(kind=k, name=n, port=f"/dev/{i}") for i, (k, n) in enumerate(kinds)]  # type: ignore[arg-type]
    names = MachinePart(name="pc", rules="x", link=links).link_names()
    assert names[0] == "post" and names[1] == "post2" and len(set(names)) == len(names)


def test_odd_names_are_names(tmp_path: Path) -> None:
    """A machine's name may be anything that can be shown; whoever needs less must escape it."""
    name = "486 «тест» /../+#%"
    loaded = load(tmp_path, MACHINE.replace('"pc"', f"'{name}'") + LINK)
    assert loaded.machine_named(name).name == name
    with pytest.raises(UsageError, match="no machine is called 'x'"):
        loaded.machine_named("x")


def test_file_troubles(tmp_path: Path) -> None:
    """A file that is missing is the caller's mistake, so is other text; a file that cannot be read is the world's."""
    with pytest.raises(UsageError, match="no such settings file"):
        load_settings(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes(b'[bench]\nname = "\xe4"\n')
    with pytest.raises(FileProblems, match=r"latin\.toml:2: Save the file as UTF-8"):
        load_settings(tmp_path / "latin.toml")
    with pytest.raises(ExternalError, match="cannot be read"):
        load_settings(tmp_path / "latin.toml" / "x")
