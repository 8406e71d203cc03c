"""What sections of the configuration are made of: unknown keys are errors, secrets stand elsewhere."""

from __future__ import annotations

import ipaddress
import os
import re
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, model_validator

from reminders.errors import ConfigError
from reminders.sentences import english


class Section(BaseModel):
    """One section; it never changes, and has no keys but those it names."""

    model_config = ConfigDict(frozen=True, extra="forbid")


def _network(text: str) -> str:
    ipaddress.ip_network(text)
    return text


Network = Annotated[str, AfterValidator(_network)]
"""An address or a network, IPv4 or IPv6."""


def _pattern(text: str) -> str:
    try:
        re.compile(text)
    except re.error as error:
        raise ValueError(english("is no regular expression: {error}").format(error=error)) from None
    return text


Pattern = Annotated[str, AfterValidator(_pattern)]


def is_this_computer(host: str) -> bool:
    """Say whether a host, by name or by number, can be reached from this computer only."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False  # another name


class Secret(Section):
    """Where a secret is kept: `{ env = "NAME" }` or `{ file = "path" }`. It never stands in the configuration."""

    env: str | None = None
    file: Path | None = None

    @model_validator(mode="after")
    def _one(self) -> Secret:
        if (self.env is None) == (self.file is None):
            raise ValueError(english("name either env or file"))
        return self

    def read(self, folder: Path) -> str:
        """Return the secret; a relative file counts from `folder`. ConfigError when it is missing or empty."""
        if self.env is not None:
            found, place = os.environ.get(self.env, ""), f"the environment variable {self.env}"
        else:
            path = folder / str(self.file)
            place = str(path)
            try:
                found = path.read_text("utf-8").rstrip("\r\n")
            except (OSError, UnicodeDecodeError) as error:
                raise ConfigError(
                    english("the secret in {file} can't be read: {error}").format(file=path, error=type(error).__name__)
                ) from None
        if not found:
            raise ConfigError(english("the secret in {place} is missing").format(place=place))
        return found
