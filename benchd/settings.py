"""The settings file: which machines, links, rules and sinks. Errors name file, line and key."""

from __future__ import annotations

import ipaddress
import re
from pathlib import Path
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    field_validator,
    model_validator,
)

from benchd.decode import framings_of, make_decoder
from benchd.decode.charset import Charset
from benchd.decode.framings import OWN_SETTINGS
from benchd.errors import UsageError, system_words
from benchd.files import read_toml
from benchd.links.lines import port_timing
from benchd.links.settings import HUNT, MAX_RATE, PortSettings
from benchd.rules.schema import Pattern
from benchd.rules.values import parse_port
from benchd.sinks.alerts.settings import AlertSettings
from benchd.sinks.mqtt.settings import MqttSettings
from benchd.tomlfile import matching, misplaced
from benchd.vocabulary.records import LinkInfo
from benchd.vocabulary.times import parse_duration

LinkName = Annotated[str, matching(r"[a-z][a-z0-9-]{0,31}", "use small letters, digits, hyphen; no spaces")]


def _speed(value: object) -> object:
    if value == HUNT or (isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= MAX_RATE):
        return value
    if isinstance(value, str) and value.isdecimal():
        raise ValueError(f"write the speed without quotes: speed = {value[:20]}")
    raise ValueError(f'{value!r} is not in 1..{MAX_RATE}; give bits per second, or "hunt"')


def _stop_bits(value: float) -> float:
    if value not in (1, 1.5, 2):
        raise ValueError(f"{value:g} is not 1, 1.5 or 2")
    return value


def _printable(value: str) -> str:
    if not value.isprintable():
        raise ValueError("holds characters that cannot be shown")
    return value


Model = Annotated[str, matching(r"[A-Za-z0-9._-]{1,64}", "use letters, digits, dot, hyphen, underscore; no spaces")]
Seconds = Annotated[float, BeforeValidator(parse_duration)]
Name = Annotated[str, Field(min_length=1, max_length=64), AfterValidator(_printable)]


class SettingsPart(BaseModel):
    model_config = ConfigDict(defer_build=True, extra="forbid", frozen=True)


class BenchPart(SettingsPart):
    """`[bench]`: `name`; `data`, the folder of captures and store; `store`, a database URL instead of SQLite."""

    name: Name = "bench"
    data: str = "data"
    store: str | None = None
    capture_size_mb: int = Field(64, ge=1, le=4096, description="a capture file is ended at about this size")


class HttpPart(SettingsPart):
    """`[http]`: where the page, the API and /metrics are served. Beyond loopback a token file is demanded."""

    listen: str = "127.0.0.1:8650"
    token_file: str | None = None
    tls_cert: str | None = Field(None, description="certificate with its chain (PEM); everything then goes over TLS")
    tls_key: str | None = Field(None, description="its key (PEM)")
    names: list[Annotated[str, matching(r"[A-Za-z0-9.-]{1,253}", "use letters, digits, dot, hyphen; no port")]] = Field(
        default_factory=list, max_length=16, description="host names by which the page may be asked for"
    )

    @field_validator("listen")
    @classmethod
    def _address(cls, value: str) -> str:
        host, port = split_listen(value)
        if not 0 <= port <= 65535:
            raise ValueError(f"port {port} is not in 0..65535")
        if not host:
            raise ValueError(f"{value!r}: write it as ADDRESS:PORT, like 127.0.0.1:8650")
        return value

    @model_validator(mode="after")
    def _guarded(self) -> HttpPart:
        if self.token_file is None and not is_loopback(split_listen(self.listen)[0]):
            text = f"{self.listen!r} is reachable from other machines; that needs token_file, or use 127.0.0.1"
            raise misplaced("http", ("listen",), text)
        if (self.tls_cert is None) != (self.tls_key is None):
            raise misplaced("http", ("tls_cert" if self.tls_cert else "tls_key",), "tls_cert and tls_key go together")
        return self


class MetricsPart(SettingsPart):
    """`[metrics]`: how many trials keep time series of their own."""

    trial_series: int = Field(20, ge=1, le=1000)


class ArchivePart(SettingsPart):
    """`[archive]`: the store of an archive of many benches, a database URL; it is only read.

    `store_file`: a file whose first line is that URL, where it holds a password.
    """

    store: str | None = None
    store_file: str | None = None

    @model_validator(mode="after")
    def _one(self) -> ArchivePart:
        if (self.store is None) == (self.store_file is None):
            raise misplaced("archive", ("store",), "one of store and store_file is needed, and not both")
        return self


class LinkPart(SettingsPart):
    """`[[machine.link]]`: one port. `tick` is the length of a card tick; `latency` how late an adapter is."""

    kind: Literal["post", "console"]
    port: str
    name: Annotated[str, matching(r"[a-z][a-z0-9-]{0,31}", "use small letters, digits, hyphen; no spaces")] | None = (
        None
    )
    speed: Annotated[int | Literal["hunt"], BeforeValidator(_speed)] = 9600
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["N", "E", "O", "M", "S"] = "N"
    stop_bits: Annotated[float, AfterValidator(_stop_bits)] = 1
    framing: str | None = None
    pattern: Pattern | None = None
    code_port: Annotated[int, BeforeValidator(parse_port)] | None = None
    tick: Seconds | None = None
    latency: Seconds | None = None
    lossy: bool = False
    encoding: str = "cp437"
    modem_lines: bool = True
    dtr: bool = True
    rts: bool = True
    hunt_rates: list[Annotated[int, Field(ge=1, le=MAX_RATE)]] = Field(default_factory=list, max_length=32)

    @field_validator("encoding")
    @classmethod
    def _encoding(cls, value: str) -> str:
        try:
            Charset("", value)
        except UsageError as error:
            raise ValueError(str(error).removeprefix("link : ")) from None
        return value

    @model_validator(mode="after")
    def _sense(self) -> LinkPart:
        if self.kind == "console" and self.framing is not None:
            raise misplaced("link", ("framing",), "framing is for post links; a console is text")
        self._check_framing()
        try:
            PortSettings(port=self.port, speed=self.speed)
        except UsageError as error:
            raise misplaced("link", ("port",), str(error).removeprefix("port: ")) from None
        try:
            make_decoder(self.info("link"))
        except UsageError as error:
            raise misplaced(
                "link", ("pattern",) if self.pattern else (), str(error).removeprefix("link link: ")
            ) from None
        return self

    def _check_framing(self) -> None:
        rows = {row.name: row for row in framings_of(self.kind)}
        if self.framed not in rows:
            known = ", ".join(repr(name) for name in rows)
            raise misplaced("link", ("framing",), f"{self.framing!r} is no framing: use {known}")
        row = rows[self.framed]
        for key in OWN_SETTINGS:
            if getattr(self, key) is None and key in row.needs:
                raise misplaced("link", ("framing",), f'framing = "{row.name}" and {key} = "..." belong together')
            if getattr(self, key) is not None and key not in row.takes:
                takers = " or ".join(f'"{other.name}"' for other in rows.values() if key in other.takes)
                why = f"{key} and framing = {takers} belong together" if takers else f"{key} is for post links"
                raise misplaced("link", (key,), why)

    @property
    def framed(self) -> str:
        return self.framing or framings_of(self.kind)[0].name

    def info(self, name: str) -> LinkInfo:
        """Return what decoding needs to know of this link; `paced` and latency by the kind of port."""
        speed = 9600 if self.speed == "hunt" else self.speed
        timing = port_timing(self.port, speed, self.data_bits, self.parity, self.stop_bits)
        same = ("kind", "port", "data_bits", "parity", "stop_bits", "code_port", "lossy", "pattern", "encoding")
        return LinkInfo(
            name=name,
            framing=self.framed,
            speed=speed,
            latency_ns=timing.latency_ns if self.latency is None else round(self.latency * 1e9),
            paced=timing.paced,
            tick_s=self.tick,
            **{key: getattr(self, key) for key in same},
        )


class MachinePart(SettingsPart):
    """`[[machine]]`: a PC on the bench, its rule table (a path or a name) and its links.

    `map` is a map file (see `benchd map`) of how it is set up now, shown on the page.
    """

    name: Name
    rules: str
    map: str | None = None
    model: Model | None = Field(None, description="what kind of machine it is: the same word on every bench")
    share_limits: bool = Field(False, description="while it has few good boots, learn from those of its model")
    link: list[LinkPart] = Field(min_length=1, max_length=8)

    def link_names(self) -> list[str]:
        """Return the links' names: given ones, else "post", "console", "post2" and so on."""
        out: list[str] = []
        for link in self.link:
            name, n = link.name or link.kind, 1
            while name in out:
                n += 1
                name = f"{link.name or link.kind}{n}"
            out.append(name)
        return out


class Settings(SettingsPart):
    """The whole file."""

    bench: BenchPart = Field(default_factory=BenchPart)
    http: HttpPart = Field(default_factory=HttpPart)
    mqtt: MqttSettings | None = None
    metrics: MetricsPart = Field(default_factory=MetricsPart)
    alert: AlertSettings = Field(default_factory=AlertSettings)
    archive: ArchivePart | None = None
    machine: list[MachinePart] = Field(default_factory=list, max_length=64)

    @model_validator(mode="after")
    def _unique(self) -> Settings:
        if self.mqtt is not None and self.mqtt.archive and "@" in self.bench.name:
            text = "with mqtt.archive the bench's name may hold no @: an archive writes ID@BENCH"
            raise misplaced("settings", ("bench", "name"), text)
        names: set[str] = set()
        ports: set[str] = set()
        for m, machine in enumerate(self.machine):
            if machine.share_limits and (machine.model is None or self.archive is None):
                text = "share_limits needs the machine's model, and [archive] with the store that has its boots"
                raise misplaced("settings", ("machine", m, "share_limits"), text)
            if machine.name in names:
                raise misplaced("settings", ("machine", m, "name"), f"{machine.name!r} is the name of two machines")
            names.add(machine.name)
            for n, link in enumerate(machine.link):
                if link.port in ports:
                    raise misplaced("settings", ("machine", m, "link", n, "port"), f"{link.port} is used by two links")
                ports.add(link.port)
        return self

    def machine_named(self, name: str) -> MachinePart:
        """Return a machine's settings. Raises UsageError."""
        for machine in self.machine:
            if machine.name == name:
                return machine
        known = ", ".join(m.name for m in self.machine) or "none"
        raise UsageError(f"no machine is called {name!r}; the settings have: {known}")


class LoadedSettings:
    """Settings with the place they came from; paths inside are relative to that file."""

    def __init__(self, settings: Settings, path: Path) -> None:
        self.settings = settings
        self.path = path
        self.base = path.parent

    @property
    def data(self) -> Path:
        return (self.base / self.settings.bench.data).resolve()

    @property
    def store_url(self) -> str:
        return self.settings.bench.store or str(self.data / "benchd.db")

    @property
    def archive_url(self) -> str:
        """Where the archive's store is. Raises UsageError naming the file, never what is in it."""
        archive = self.settings.archive
        if archive is None:
            raise UsageError("[archive] is not set")
        if archive.store_file is None:
            return str(archive.store)
        path = self.base / archive.store_file
        try:
            url = path.read_text("utf-8").partition("\n")[0].strip()
        except (OSError, UnicodeDecodeError) as error:
            raise UsageError(f"archive.store_file {path}: {system_words(error)}") from None
        if not url:
            raise UsageError(f"archive.store_file {path}: its first line is empty")
        return url

    def resolve(self, path: str | Path | None) -> Path | None:
        return None if path is None else (self.base / path).resolve()


def split_listen(text: str) -> tuple[str, int]:
    """Split `ADDRESS:PORT` or `[V6]:PORT`. Raises ValueError."""
    found = re.fullmatch(r"(?:\[([0-9A-Fa-f:.]+)\]|([^:\s]*)):(\d{1,5})", text)
    if not found:
        raise ValueError(f"{text!r}: write it as ADDRESS:PORT, like 127.0.0.1:8650")
    return found[1] or found[2], int(found[3])


def is_loopback(host: str) -> bool:
    """Whether an address can only be reached from this machine."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def load_settings(path: Path) -> LoadedSettings:
    """Read a settings file. Raises FileProblems (file, line, key) or ExternalError."""
    hint = f"{path}: no such settings file; `benchd setup` makes one, config/bench.toml is an example"
    return LoadedSettings(read_toml(Settings, path, lambda _: UsageError(hint)), path.absolute())


def link_infos(machine: MachinePart) -> list[LinkInfo]:
    """Return what decoding needs to know of each link of a machine."""
    return [link.info(name) for link, name in zip(machine.link, machine.link_names(), strict=True)]
