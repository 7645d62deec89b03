"""The settings file: which machines, links, rules and sinks. Errors name file, line and key."""

from __future__ import annotations

import ipaddress
import re
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, field_validator, model_validator

from benchd.errors import CallerError, OutsideError
from benchd.links.lines import port_timing
from benchd.records import LinkInfo
from benchd.rules.values import compile_pattern, parse_duration, parse_port
from benchd.sinks.alert_settings import AlertSettings
from benchd.sinks.mqtt_settings import MqttSettings
from benchd.tomlfile import validate

Seconds = Annotated[float, BeforeValidator(parse_duration)]
Name = Annotated[str, Field(min_length=1, max_length=64)]


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
            raise ValueError(
                f"listen {self.listen!r} is reachable from other machines; that needs token_file, or use 127.0.0.1"
            )
        return self


class MetricsPart(Part):
    """`[metrics]`: how many trials keep time series of their own."""

    trial_series: int = Field(20, ge=1, le=1000)


class LinkPart(Part):
    """`[[machine.link]]`: one port. `tick` is the length of a card tick; `latency` how late an adapter is."""

    kind: Literal["post", "console"]
    port: str
    name: str | None = Field(None, pattern=r"^[a-z][a-z0-9-]{0,31}$")
    speed: int | Literal["hunt"] = 9600
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["N", "E", "O", "M", "S"] = "N"
    stop_bits: float = 1
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
            if len(bytes(range(128)).decode(value)) != 128:
                raise ValueError
        except (LookupError, ValueError):
            raise ValueError(f"{value!r} is not a known one-byte encoding, like cp437 or latin-1") from None
        return value

    @model_validator(mode="after")
    def _sense(self) -> LinkPart:
        if self.kind == "console" and self.framing is not None:
            raise ValueError("framing is for post links; a console is text")
        if (self.framing == "pattern") != (self.pattern is not None):
            raise ValueError('framing = "pattern" and pattern = "..." belong together')
        return self

    @property
    def framed(self) -> str:
        return "text" if self.kind == "console" else (self.framing or "raw")


class MachinePart(Part):
    """`[[machine]]`: a PC on the bench, its rule table (a path or a name) and its links.

    `map` is a map file (see `benchd map`) of how it is set up now, shown on the page.
    """

    name: Name
    rules: str
    map: str | None = None
    link: list[LinkPart] = Field(min_length=1, max_length=8)

    @field_validator("name")
    @classmethod
    def _printable(cls, value: str) -> str:
        if not value.isprintable():
            raise ValueError("holds characters that cannot be shown")
        return value

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
        names = [m.name for m in self.machine]
        doubled = sorted({n for n in names if names.count(n) > 1})
        if doubled:
            raise ValueError(f"machine names must differ: {', '.join(doubled)} is used twice")
        ports = [link.port for m in self.machine for link in m.link]
        shared = sorted({p for p in ports if ports.count(p) > 1})
        if shared:
            raise ValueError(f"port {shared[0]} is used by two links")
        return self

    def machine_named(self, name: str) -> MachinePart:
        """Return a machine's settings. Raises CallerError."""
        for machine in self.machine:
            if machine.name == name:
                return machine
        known = ", ".join(m.name for m in self.machine) or "none"
        raise CallerError(f"no machine is called {name!r}; the settings have: {known}")


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
    """Read a settings file. Raises FileProblems (file, line, key) or OutsideError."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise CallerError(f"{path}: no such settings file; see config/bench.toml for an example") from None
    except (OSError, UnicodeDecodeError) as error:
        raise OutsideError(f"{path}: cannot be read: {error}") from None
    return LoadedSettings(validate(Settings, text, str(path)), path.absolute())


def link_infos(machine: MachinePart) -> list[LinkInfo]:
    """Return what decoding needs to know of each link; `paced` and latency by the kind of port."""
    out = []
    for link, name in zip(machine.link, machine.link_names(), strict=True):
        speed = 9600 if link.speed == "hunt" else link.speed
        timing = port_timing(link.port, speed, link.data_bits, link.parity, link.stop_bits)
        latency_ns = timing.latency_ns if link.latency is None else round(link.latency * 1e9)
        out.append(
            LinkInfo(
                name=name,
                kind=link.kind,
                framing=link.framed,
                port=link.port,
                speed=speed,
                data_bits=link.data_bits,
                parity=link.parity,
                stop_bits=link.stop_bits,
                latency_ns=latency_ns,
                paced=timing.paced,
                code_port=link.code_port,
                lossy=link.lossy,
                pattern=link.pattern,
                tick_s=link.tick,
                encoding=link.encoding,
            )
        )
    return out
