"""`[bench]` of the settings file: what the bench is called, and where it keeps its data.

Commands that only read the store check no more of the file than this: what machines, links and sinks need is much, and
takes longer to load than boots take to be listed.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from benchd.errors import UsageError
from benchd.files import read_toml


def _printable(value: str) -> str:
    if not value.isprintable():
        raise ValueError("holds characters that cannot be shown")
    return value


Name = Annotated[str, Field(min_length=1, max_length=64), AfterValidator(_printable)]


class SettingsPart(BaseModel):
    model_config = ConfigDict(defer_build=True, extra="forbid", frozen=True)


class BenchPart(SettingsPart):
    """`[bench]`: `name`; `data`, the folder of captures and store; `store`, a database URL instead of SQLite."""

    name: Name = "bench"
    data: str = "data"
    store: str | None = None
    keep_days: float | None = Field(None, gt=0, description="captures older than this are let go; see upkeep.md")
    keep_gb: float | None = Field(None, gt=0, description="captures are let go while they have more than this together")
    reserve_gb: float = Field(1.0, ge=0, description="a disk with less free than this is told of")
    pack_days: float = Field(7.0, ge=0, description="captures not written to for so long are compressed; 0: none is")
    capture_size_mb: int = Field(64, ge=1, le=4096, description="a capture file is ended at about this size")


class KeptWhere(SettingsPart):
    """A settings file of which only `[bench]` is looked at."""

    model_config = ConfigDict(extra="ignore")

    bench: BenchPart = Field(default_factory=BenchPart)


class LoadedBench:
    """`[bench]` with the place it came from; paths inside are relative to that file."""

    def __init__(self, bench: BenchPart, path: Path) -> None:
        self.bench = bench
        self.path = path
        self.base = path.parent

    @property
    def data(self) -> Path:
        return (self.base / self.bench.data).resolve()

    @property
    def store_url(self) -> str:
        return self.bench.store or str(self.data / "benchd.db")

    def resolve(self, path: str | Path | None) -> Path | None:
        return None if path is None else (self.base / path).resolve()


def none_at(path: Path) -> UsageError:
    """Return what is said where there is no such settings file."""
    return UsageError(f"{path}: no such settings file; `benchd setup` makes one, config/bench.toml is an example")


def load_bench(path: Path) -> LoadedBench:
    """Read `[bench]` of a settings file. Raises FileProblems (file, line, key) or ExternalError."""
    return LoadedBench(read_toml(KeptWhere, path, lambda _: none_at(path)).bench, path.absolute())
