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
    ValidationError,
    field_validator,
    model_validator,
)
from pydantic_core import InitErrorDetails, PydanticCustomError

from benchd.decode import make_decoder
from benchd.decode.charset import Charset
from benchd.errors import ExternalError, UsageError
from benchd.links.lines import port_timing
from benchd.links.settings import HUNT, MAX_RATE, PortSettings
from benchd.rules.values import compile_pattern, parse_port
from benchd.sinks.alerts.settings import AlertSettings
from benchd.sinks.mqtt.settings import MqttSettings
from benchd.tomlfile import validate
from benchd.vocabulary.records import LinkInfo
from benchd.vocabulary.times import parse_duration


def _speed(value: object) -> object:
    if value == HUNT or (isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= MAX_RATE):
        return value
    raise ValueError(f'{value!r} is not in 1..{MAX_RATE}; give bits per second, or "hunt"')


def _stop_bits(value: float) -> float:
    if value not in (1, 1.5, 2):
        raise ValueError(f"{value:g} is not 1, 1.5 or 2")
    return value


def _printable(value: str) -> str:
    if not value.isprintable():
        raise ValueError("holds characters that cannot be shown")
    return value


def wrong(title: str, where: tuple[str | int, ...], text: str) -> ValidationError:
    """Return an error that names the key: one that a model's own check raises would name the model only."""
    what = PydanticCustomError("value_error", "{text}", {"text": text})
    return ValidationError.from_exception_data(title, [InitErrorDetails(type=what, loc=where, input=None)])


Seconds = Annotated[float, BeforeValidator(parse_duration)]
Name = Annotated[str, Field(min_length=1, max_length=64), AfterValidator(_printable)]


class Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class BenchPart(Part):
    """`[bench]`: `name`; `data`, the folder of captures and store; `store`, a database URL instead of SQLite."""

    name: Name = "bench"
    data: str = "data"
    store: str | None = None
    capture_size_mb: int = Field(64, ge=1, le=4096, description="a capture file is ended at about this size")


class HttpPart(Part):
    """`[http]`: where the page, the API and /metrics are served. Beyond loopback a token file is demanded."""

    listen: str = "127.0.0.1:8650"
    token_file: str | None = None
    names: list[Annotated[str, Field(pattern=r"^[A-Za-z0-9.-]{1,253}$")]] = Field(
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
            raise wrong("http", ("listen",), text)
        return self


class MetricsPart(Part):
    """`[metrics]`: how many trials keep time series of their own."""

    trial_series: int = Field(20, ge=1, le=1000)


class LinkPart(Part):
    """`[[machine.link]]`: one port. `tick` is the length of a card tick; `latency` how late an adapter is."""

    kind: Literal["post", "console"]
    port: str
    name: str | None = Field(None, pattern=r"^[a-z][a-z0-9-]{0,31}$")
    speed: Annotated[int | Literal["hunt"], BeforeValidator(_speed)] = 9600
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["N", "E", "O", "M", "S"] = "N"
    stop_bits: Annotated[float, AfterValidator(_stop_bits)] = 1
    framing: Literal["raw", "hex", "pattern", "bench"] | None = None
    pattern: str | None = None
    code_port: Annotated[int, BeforeValidator(parse_port)] | None = None
    tick: Seconds | None = None
    latency: Seconds | None = None
    lossy: bool = False
    encoding: str = "cp437"
    modem_lines: bool = True
    dtr: bool = True
    rts: bool = True
    hunt_rates: list[Annotated[int, Field(ge=1, le=MAX_RATE)]] = Field(default_factory=list, max_length=32)

    @field_validator("pattern")
    @classmethod
    def _pattern(cls, value: str | None) -> str | None:
        if value is not None:
            compile_pattern(value)
        return value

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
            raise wrong("link", ("framing",), "framing is for post links; a console is text")
        if (self.framing == "pattern") != (self.pattern is not None):
            where = "pattern" if self.pattern is not None else "framing"
            raise wrong("link", (where,), 'framing = "pattern" and pattern = "..." belong together')
        try:
            PortSettings(port=self.port, speed=self.speed)
        except UsageError as error:
            raise wrong("link", ("port",), str(error).removeprefix("port: ")) from None
        try:
            make_decoder(self.info("link"))
        except UsageError as error:
            raise wrong("link", ("pattern",) if self.pattern else (), str(error).removeprefix("link link: ")) from None
        return self

    @property
    def framed(self) -> str:
        return "text" if self.kind == "console" else (self.framing or "raw")

    def info(self, name: str) -> LinkInfo:
        """Return what decoding needs to know of this link; `paced` and latency by the kind of port."""
        speed = 9600 if self.speed == "hunt" else self.speed
        timing = port_timing(self.port, speed, self.data_bits, self.parity, self.stop_bits)
        return LinkInfo(
            name=name,
            kind=self.kind,
            framing=self.framed,
            port=self.port,
            speed=speed,
            data_bits=self.data_bits,
            parity=self.parity,
            stop_bits=self.stop_bits,
            latency_ns=timing.latency_ns if self.latency is None else round(self.latency * 1e9),
            paced=timing.paced,
            code_port=self.code_port,
            lossy=self.lossy,
            pattern=self.pattern,
            tick_s=self.tick,
            encoding=self.encoding,
        )


class MachinePart(Part):
    """`[[machine]]`: a PC on the bench, its rule table (a path or a name) and its links.

    `map` is a map file (see `benchd map`) of how it is set up now, shown on the page.
    """

    name: Name
    rules: str
    map: str | None = None
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


class Settings(Part):
    """The whole file."""

    bench: BenchPart = Field(default_factory=BenchPart)
    http: HttpPart = Field(default_factory=HttpPart)
    mqtt: MqttSettings | None = None
    metrics: MetricsPart = Field(default_factory=MetricsPart)
    alert: AlertSettings = Field(default_factory=AlertSettings)
    machine: list[MachinePart] = Field(default_factory=list, max_length=64)

    @model_validator(mode="after")
    def _unique(self) -> Settings:
        names: set[str] = set()
        ports: set[str] = set()
        for m, machine in enumerate(self.machine):
            if machine.name in names:
                raise wrong("settings", ("machine", m, "name"), f"{machine.name!r} is the name of two machines")
            names.add(machine.name)
            for n, link in enumerate(machine.link):
                if link.port in ports:
                    raise wrong("settings", ("machine", m, "link", n, "port"), f"{link.port} is used by two links")
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
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise UsageError(f"{path}: no such settings file; see config/bench.toml for an example") from None
    except (OSError, UnicodeDecodeError) as error:
        raise ExternalError(f"{path}: cannot be read: {error}") from None
    return LoadedSettings(validate(Settings, text, str(path)), path.absolute())


def link_infos(machine: MachinePart) -> list[LinkInfo]:
    """Return what decoding needs to know of each link of a machine."""
    return [link.info(name) for link, name in zip(machine.link, machine.link_names(), strict=True)]
