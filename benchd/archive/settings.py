"""The archive's settings file: which broker, which database, where its page is served."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import Field

from benchd.errors import UsageError
from benchd.files import read_toml
from benchd.settings import HttpPart, SettingsPart
from benchd.sinks.mqtt.settings import MqttSettings
from benchd.tomlfile import matching

Word = Annotated[str, matching(r"[A-Za-z0-9._-]{1,64}", "use letters, digits, dot, hyphen, underscore; no spaces")]


class ArchivePart(SettingsPart):
    """`[archive]`: the database, and how this process is called among those that share the work."""

    store: str = Field(description="a postgresql:// URL, or a file for a small club")
    name: Word = Field("archive", description="this process: each one that runs has its own name")
    share: Word = Field("benchd-archive", description="processes with this in common share the messages among them")
    in_flight: int = Field(200, ge=1, le=2000, description="messages taken from the broker and not yet acknowledged")
    fill: bool = Field(True, description="ask benches by itself for what has been missing for a minute")
    session_days: int = Field(7, ge=1, le=90, description="how long the broker keeps messages while this is away")


class ArchiveHttp(HttpPart):
    """`[http]`: where the archive's page is served."""

    listen: str = "127.0.0.1:8660"


class ArchiveSettings(SettingsPart):
    """The whole file."""

    archive: ArchivePart
    mqtt: MqttSettings
    http: ArchiveHttp = Field(default_factory=ArchiveHttp)


class LoadedArchive:
    """Settings with the place they came from; paths inside are relative to that file."""

    def __init__(self, settings: ArchiveSettings, path: Path) -> None:
        self.settings = settings
        self.path = path
        self.base = path.parent
        self.mqtt = settings.mqtt.relative_to(self.base)

    @property
    def store(self) -> str:
        """The database: a URL, or a file as seen from the settings."""
        named = self.settings.archive.store
        return named if "://" in named else str(self.base / named)


def load_archive(path: Path) -> LoadedArchive:
    """Read an archive's settings file. Raises FileProblems (file, line, key) or ExternalError."""
    hint = f"{path}: no such settings file; config/archive.toml is an example"
    return LoadedArchive(read_toml(ArchiveSettings, path, lambda _: UsageError(hint)), path.absolute())
