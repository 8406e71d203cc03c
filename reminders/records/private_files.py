"""Knows which files must be their owner's alone, and how such files are written."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from reminders.errors import ConfigError
from reminders.sentences import english

_HAS_OWNERS = hasattr(os, "geteuid")
"""Not on Windows, where whoever sets the program up gives the folder its rights."""


def require_private(path: Path, what: str) -> None:
    """Raise ConfigError unless a file is ours, or root's, and nobody else may read or change it.

    `what` is what staff call it, with the place `{path}`.
    FileNotFoundError when there is none.
    """
    found = path.stat()
    if not _HAS_OWNERS:
        return
    mode = stat.S_IMODE(found.st_mode)
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        open_to_others = english("{what} is open to others (mode {mode}); make it yours alone: chmod 600 {file}")
        raise ConfigError(open_to_others.format(what=what.format(path=path), mode=f"{mode:04o}", file=path))
    _require_ours(found, path, what)


def require_safe_folder(path: Path, what: str) -> None:
    """Raise ConfigError when anybody could put another file in the place of one in this folder."""
    found = path.stat()
    if not _HAS_OWNERS:
        return
    mode = stat.S_IMODE(found.st_mode)
    if mode & stat.S_IWOTH and not mode & stat.S_ISVTX:
        by_everybody = english("{what} can be written to by everybody (mode {mode}); chmod o-w {file}")
        raise ConfigError(by_everybody.format(what=what.format(path=path), mode=f"{mode:04o}", file=path))
    if not mode & stat.S_ISVTX:
        _require_ours(found, path, what)


def write_private(path: Path, text: str, *, replace: bool) -> None:
    """Write a file that only its owner may read, all or nothing; FileExistsError when it is there and not to go."""
    draft = path.with_name(f"{path.name}.{os.getpid()}.new")
    try:
        with os.fdopen(os.open(draft, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        if replace:
            draft.replace(path)
        else:
            os.link(draft, path)  # unlike a renaming, it never takes the place of a file
        _sync_folder(path.parent)
    except FileExistsError:
        raise
    except OSError as error:
        said = english("{file} can't be written to: {why}").format(file=path.parent.resolve(), why=error.strerror)
        raise ConfigError(said) from error
    finally:
        draft.unlink(missing_ok=True)


def _require_ours(found: os.stat_result, path: Path, what: str) -> None:
    if found.st_uid not in {os.geteuid(), 0}:
        others = english("{what} belongs to somebody else, who could change it; chown it to who runs this")
        raise ConfigError(others.format(what=what.format(path=path)))


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
