"""A page of HTML as PDF, printed by the Chromium or a relative of it that is on this machine."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path
from threading import Lock

from reminders.errors import InputError
from reminders.sentences import english

_BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
_SECONDS = 60
_one = Lock()
"""A browser takes some hundred megabytes: whoever prints at the same time waits."""


def can_print() -> bool:
    """Say whether there is a browser to print with."""
    return _browser() is not None


def as_pdf(html: str) -> bytes:
    """Return `html` as PDF; raises InputError when there is no browser to print with, or it fails."""
    browser = _browser()
    if browser is None:
        raise InputError(
            english(
                "printing a PDF needs Chromium or a relative of it on this machine; write an .html file instead "
                "and print it from any browser"
            )
        )
    with _one, tempfile.TemporaryDirectory() as folder:
        page, printed = Path(folder) / "page.html", Path(folder) / "page.pdf"
        page.write_text(html, "utf-8")
        command = [
            browser,
            "--headless",
            "--no-sandbox",  # the page is our own and has no scripts; the sandbox refuses to run as root
            "--disable-gpu",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--no-first-run",
            f"--user-data-dir={folder}/profile",
            "--no-pdf-header-footer",
            f"--print-to-pdf={printed}",
            page.as_uri(),
        ]
        try:
            subprocess.run(command, check=True, capture_output=True, timeout=_SECONDS)  # noqa: S603  no shell, own paths
        except (subprocess.SubprocessError, OSError) as error:
            raise InputError(
                english("the browser did not print the page: {error}").format(error=type(error).__name__)
            ) from error
        if not printed.is_file():
            raise InputError(english("the browser printed nothing; write an .html file instead and print that"))
        return printed.read_bytes()


def _browser() -> str | None:
    return next((found for name in _BROWSERS if (found := shutil.which(name))), None)
