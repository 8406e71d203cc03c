"""Knows where keys are kept, never in the database: in a file of their own, the environment, or behind a command."""

from __future__ import annotations

import base64
import binascii
import os
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from reminders.errors import ConfigError, InputError
from reminders.records.keyring import SECRET_BYTES, Key, Keyring
from reminders.records.private_files import require_private, write_private
from reminders.sentences import english

_COMMAND_SECONDS = 30
_HEAD = """\
# The keys that seal the patients' data, one a line: its id, then its secret. The first one seals.
# Without them nobody can read the database or a backup of it: keep a copy of this file in another, safe place,
# apart from the backups. Keep an old key as long as backups that it sealed are kept.
"""


class KeySource(Protocol):
    """Where keys come from."""

    @property
    def place(self) -> str:
        """Return where that is, in words for a person."""

    def read(self) -> tuple[Key, ...]:
        """Return the keys there are, the one that seals first; ConfigError when there is none or they are faulty."""

    def stamp(self) -> object:
        """Return something that is another once the keys changed, as far as that can be told at no cost."""


@dataclass(frozen=True)
class KeyFile:
    """A file that its owner alone may read."""

    path: Path

    @property
    def place(self) -> str:
        """Return where it lies."""
        return str(self.path)

    def read(self) -> tuple[Key, ...]:
        """Return its keys; ConfigError as well when somebody else may read it."""
        try:
            require_private(self.path, english("the key file {path}"))
            text = self.path.read_text(encoding="ascii")
        except FileNotFoundError:
            raise ConfigError(
                english(
                    "there is no key file {file}: without it the database can't be read. Put your copy of it there; "
                    "`reminders init` makes one for a new database"
                ).format(file=self.path)
            ) from None
        except (OSError, UnicodeDecodeError) as error:
            raise ConfigError(
                english("the key file {file} can't be read: {error}").format(file=self.path, error=type(error).__name__)
            ) from None
        return keys_in(text, self.place)

    def stamp(self) -> object:
        """Return when the file was written, and which one it is; None when it is gone."""
        try:
            found = self.path.stat()
        except OSError:
            return None
        return found.st_mtime_ns, found.st_ino

    def create(self) -> Key:
        """Write a new file with one new key; InputError when there is a file already, which is never overwritten."""
        key = Key.new()
        try:
            write_private(self.path, as_text((key,)), replace=False)
        except FileExistsError:
            raise InputError(
                english("{file} is there already and was not touched; `reminders keys rotate` adds a key to it").format(
                    file=self.path
                )
            ) from None
        return key

    def put_first(self, key: Key) -> None:
        """Add a key before those there are; the file is replaced at once or not at all."""
        write_private(self.path, as_text((key, *self.read())), replace=True)


@dataclass(frozen=True)
class KeyVariable:
    """An environment variable, set by whatever starts the program."""

    name: str

    @property
    def place(self) -> str:
        """Return its name."""
        return english("the environment variable {name}").format(name=self.name)

    def stamp(self) -> object:
        """Return nothing that changes."""
        return None

    def read(self) -> tuple[Key, ...]:
        """Return the keys in it."""
        if not (text := os.environ.get(self.name, "")):
            raise ConfigError(
                english("{place} is not set: without the keys in it the database can't be read").format(
                    place=self.place
                )
            )
        return keys_in(text, self.place)


@dataclass(frozen=True)
class KeyCommand:
    """A program that prints the keys, such as the client of a store for secrets."""

    words: tuple[str, ...]

    @property
    def place(self) -> str:
        """Return the program."""
        return english("the command {name}").format(name=self.words[0])

    def stamp(self) -> object:
        """Return nothing that changes."""
        return None

    def read(self) -> tuple[Key, ...]:
        """Return the keys that it prints."""
        try:
            done = subprocess.run(  # noqa: S603  the configuration names it
                self.words, capture_output=True, timeout=_COMMAND_SECONDS, check=True, text=True, encoding="ascii"
            )
        except (OSError, subprocess.SubprocessError, UnicodeDecodeError) as error:
            # its own words may hold a key
            raise ConfigError(
                english("{place} gives no keys: {error}").format(place=self.place, error=type(error).__name__)
            ) from None
        return keys_in(done.stdout, self.place)


def open_keyring(source: KeySource) -> Keyring:
    """Return the keys of a source, which is asked again when a key turns up that it did not have."""
    return Keyring(source.read(), read_again=source.read, stamp=source.stamp)


def as_text(keys: Sequence[Key]) -> str:
    """Return keys as they are kept."""
    return _HEAD + "".join(f"{as_line(key)}\n" for key in keys)


def as_line(key: Key) -> str:
    """Return one of them as it is kept."""
    return f"{key.id} {base64.b64encode(key.secret).decode()}"


def keys_in(text: str, place: str) -> tuple[Key, ...]:
    """Read keys as they are kept; ConfigError that names the line, and never what stands there."""
    keys: dict[str, Key] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        words = line.split()
        try:
            key = Key(base64.b64decode(words[-1], validate=True))
        except (binascii.Error, ValueError):
            key = None
        if key is None or len(words) != 2 or len(key.secret) != SECRET_BYTES:
            raise ConfigError(
                english("{place}, line {number}: is no key; a line holds a key's id and its secret").format(
                    place=place, number=number
                )
            )
        if key.id != words[0]:
            raise ConfigError(
                english("{place}, line {number}: a letter is wrong, the id does not fit the secret").format(
                    place=place, number=number
                )
            )
        keys[key.id] = key
    if not keys:
        raise ConfigError(english("{place} holds no key").format(place=place))
    return tuple(keys.values())
