"""The `[mqtt]` settings."""

from __future__ import annotations

import os
import ssl
from pathlib import Path
from typing import Annotated
from urllib.parse import urlsplit

from pydantic import AliasChoices, BaseModel, BeforeValidator, ConfigDict, Field, field_validator, model_validator

from benchd.errors import UsageError, system_words
from benchd.sinks.base import Seconds
from benchd.sinks.mqtt.topics import check_prefix
from benchd.vocabulary.times import parse_duration

PORTS = {"mqtt": 1883, "mqtts": 8883}
"""Default ports, as registered with IANA."""


WholeSeconds = Annotated[int, BeforeValidator(parse_duration)]


def _once(key: str) -> AliasChoices:
    """Accept a duration's key also as it once was, with its unit in the name."""
    return AliasChoices(key, f"{key}_s")


class MqttSettings(BaseModel):
    """Where the broker is and how to log in. Secrets stay in files; nothing here is one."""

    model_config = ConfigDict(defer_build=True, extra="forbid", frozen=True, hide_input_in_errors=True)

    url: str = Field(description="mqtt://host:port, or mqtts://host:port for TLS")
    user: str | None = None
    password_file: Path | None = Field(None, description="file whose first line is the password")
    ca_file: Path | None = Field(None, description="certificates to trust (PEM); default: the system's")
    cert_file: Path | None = Field(None, description="client certificate (PEM)")
    key_file: Path | None = Field(None, description="key of the client certificate (PEM)")
    prefix: str = "benchd"
    keepalive: WholeSeconds = Field(30, ge=5, le=65_535, description="longest silence on the connection")
    client_id: str | None = Field(None, min_length=1, max_length=200)
    timeout: Seconds = Field(
        10.0, le=300, validation_alias=_once("timeout"), description="how long the broker may take to answer"
    )
    retry_cap: Seconds = Field(
        30.0, le=3600, validation_alias=_once("retry_cap"), description="longest wait before the next try"
    )
    in_flight: int = Field(8, ge=1, le=20, description="events sent but not yet taken by the broker")
    codes_kept: int = Field(5_000, ge=100, description="codes kept in full during an outage")
    archive: bool = Field(False, description="tell an archive what is stored, and hear what it asks for")
    size_cap_mb: int = Field(256, ge=1, description="outbox size beyond which no codes are stored")

    @field_validator("url")
    @classmethod
    def _url(cls, url: str) -> str:
        try:
            parts = urlsplit(url)
            _ = parts.port
        except ValueError as error:
            raise ValueError(f"is not a URL: {error}") from None
        if parts.username is not None or parts.password is not None:
            raise ValueError("must not hold user or password: use `user` and `password_file`")
        if parts.scheme not in PORTS:
            raise ValueError("must start with mqtt:// or mqtts://")
        if not parts.hostname or parts.path.strip("/") or parts.query or parts.fragment:
            raise ValueError("must be mqtt://host:port and nothing more")
        return url

    @field_validator("prefix")
    @classmethod
    def _prefix(cls, prefix: str) -> str:
        return check_prefix(prefix)

    @model_validator(mode="after")
    def _together(self) -> MqttSettings:
        if self.password_file is not None and self.user is None:
            raise ValueError("password_file needs user")
        if (self.cert_file is None) != (self.key_file is None):
            raise ValueError("cert_file and key_file go together")
        if not self.tls and (self.ca_file or self.cert_file):
            raise ValueError("ca_file and cert_file need an mqtts:// URL")
        return self

    @property
    def tls(self) -> bool:
        return self.url.startswith("mqtts:")

    @property
    def host(self) -> str:
        return urlsplit(self.url).hostname or ""

    @property
    def port(self) -> int:
        parts = urlsplit(self.url)
        return parts.port or PORTS[parts.scheme]

    def relative_to(self, folder: Path) -> MqttSettings:
        """Return the settings with relative file names taken from `folder`."""
        names = ("password_file", "ca_file", "cert_file", "key_file")
        paths = {n: folder / p for n in names if (p := getattr(self, n)) is not None}
        return self.model_copy(update=paths)

    def password(self) -> str | None:
        """Read the password. Raises UsageError naming the file, never what is in it."""
        if self.password_file is None:
            return None
        try:
            text = self.password_file.read_text("utf-8")
        except OSError as error:
            raise UsageError(f"mqtt.password_file {self.password_file}: {system_words(error)}") from None
        except UnicodeDecodeError:
            raise UsageError(f"mqtt.password_file {self.password_file}: is not UTF-8 text") from None
        first = text.partition("\n")[0].rstrip("\r")
        if not first:
            raise UsageError(f"mqtt.password_file {self.password_file}: its first line is empty")
        return first

    def open_to_all(self) -> bool:
        """Return whether other users of this computer can read the password file."""
        if self.password_file is None:
            return False
        try:
            return bool(os.stat(self.password_file).st_mode & 0o044)
        except OSError:
            return False

    def context(self) -> ssl.SSLContext | None:
        """Return the TLS context: host names and chains checked. Raises UsageError for unusable files."""
        if not self.tls:
            return None
        try:
            context = ssl.create_default_context(cafile=self.ca_file)
        except (OSError, ssl.SSLError) as error:
            raise UsageError(f"mqtt.ca_file {self.ca_file}: {error}") from None
        if self.cert_file is not None:
            try:
                context.load_cert_chain(self.cert_file, self.key_file, password=_no_passphrase)
            except (OSError, ssl.SSLError) as error:
                raise UsageError(f"mqtt.cert_file {self.cert_file} with key_file {self.key_file}: {error}") from None
        return context


def _no_passphrase() -> str:
    """Refuse keys with a passphrase instead of asking on the terminal, where nobody may be."""
    raise UsageError("mqtt.key_file needs a passphrase, which benchd cannot ask for: store it without")
