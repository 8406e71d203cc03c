"""A folder into which other programs drop files: each is taken once, and one with faults put aside."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path

_REFUSED = "refused"
_ENDINGS = frozenset({".hl7", ".json", ".txt", ".msg"})
_SETTLED_SECONDS = 2.0
"""A file that was written to within this time may still be written to (common practice, no source)."""


def ready_files(folder: Path) -> Iterator[Path]:
    """Return the files that are complete, by name; other kinds of files, hidden ones and links are left alone."""
    now = time.time()
    for path in sorted(folder.iterdir()):
        if path.name.startswith(".") or path.suffix.lower() not in _ENDINGS or path.is_symlink() or not path.is_file():
            continue
        if now - path.stat().st_mtime >= _SETTLED_SECONDS:
            yield path


def put_aside(path: Path, why: str) -> None:
    """Move a file into the folder `refused` beside it; `why` is written into a file next to it there.

    One of the same name that lies there already is kept, too.
    """
    folder = path.parent / _REFUSED
    folder.mkdir(mode=0o700, exist_ok=True)
    target = folder / path.name
    number = 1
    while target.exists():
        number += 1
        target = folder / f"{path.stem}-{number}{path.suffix}"
    # First the reason: a file that lies there without one would tell nobody anything.
    target.with_name(f"{target.name}.why").write_text(f"{why}\n", "utf-8")
    os.replace(path, target)  # noqa: PTH105  atomic, whatever is there
