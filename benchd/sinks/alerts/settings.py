"""The `[alert]` settings."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

from benchd.errors import UsageError, system_words
from benchd.sinks.base import Seconds
from benchd.vocabulary.models import FindingKind

AlertKind = Literal[FindingKind, "link"]

DEFAULT_KINDS: tuple[AlertKind, ...] = ("stall", "loop", "quiet", "fault", "setup-differs", "link")


class AlertSettings(BaseModel):
    """Who is told, of what, and how often at most. URLs and tokens stay in `notify_file`."""

    model_config = ConfigDict(defer_build=True, extra="forbid", frozen=True, hide_input_in_errors=True)

    command: list[str] = Field(default_factory=list, description="program and arguments; JSON on its stdin")
    timeout: Seconds = Field(20.0, description="how long a delivery may take")
    notify_file: Path | None = Field(None, description="file with a notification URL on each line")
    kinds: list[AlertKind] = Field(default_factory=lambda: list(DEFAULT_KINDS))
    link_down_after: Seconds = Field(5.0, description="a replug within this time is not told")
    flaps: int = Field(3, ge=1, le=100, description="times told within flap_window before it is held back")
    flap_window: Seconds = Field(600.0, description="also how long it must be steady to be told again")
    tries: int = Field(6, ge=1, le=50, description="deliveries tried before one is given up")

    @field_validator("command")
    @classmethod
    def _command(cls, value: list[str]) -> list[str]:
        if value and not value[0]:
            raise ValueError("its first word, the program, is empty")
        if any("\0" in word for word in value):
            raise ValueError("has a NUL character, which no program can be given")
        return value

    @property
    def wanted(self) -> bool:
        """Whether anybody is to be told."""
        return bool(self.command or self.notify_file)

    def urls(self) -> list[tuple[int, str]]:
        """Read `notify_file`: (line number, URL); `#` starts a comment. Raises UsageError, without URLs."""
        if self.notify_file is None:
            return []
        try:
            text = self.notify_file.read_text("utf-8")
        except OSError as error:
            raise UsageError(f"alert.notify_file {self.notify_file}: {system_words(error)}") from None
        except UnicodeDecodeError:
            raise UsageError(f"alert.notify_file {self.notify_file}: is not UTF-8 text") from None
        lines = ((n, line.strip()) for n, line in enumerate(text.splitlines(), 1))
        out = [(n, line) for n, line in lines if line and not line.startswith("#")]
        if not out:
            raise UsageError(f"alert.notify_file {self.notify_file}: holds no URL")
        return out
