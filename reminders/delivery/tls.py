"""Knows how the program trusts the servers that it calls: the host's certificates, or those of a file."""

from __future__ import annotations

import ssl
from pathlib import Path

from reminders.errors import ConfigError
from reminders.sentences import english


def client_context(ca_file: Path | None, folder: Path, *, setting: str) -> ssl.SSLContext:
    """Return what TLS connections are opened with; a relative `ca_file` lies in `folder`.

    Raises ConfigError, which begins with the name of the setting, when the file can't be used.
    """
    path = folder / ca_file if ca_file else None
    try:
        return ssl.create_default_context(cafile=path)
    except OSError as error:
        raise ConfigError(
            english("{setting}: {file} can't be used: {error}").format(
                setting=setting, file=path, error=error.strerror or type(error).__name__
            )
        ) from error
