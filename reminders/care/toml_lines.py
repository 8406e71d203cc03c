"""Where in a TOML file a value stands, so that a fault can name its line.

The standard parser gives values without places. This reads only the shapes that procedure files use: tables,
arrays of tables and `key = value` lines, with multi-line arrays and strings skipped over.
"""

from __future__ import annotations

import pathlib
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

Path = tuple[str | int, ...]

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(r"""^\s*([A-Za-z0-9_\-]+|"[^"]*"|'[^']*')\s*=""")


def line_index(source: str) -> Mapping[Path, int]:
    """Return the line, counted from 1, of every table and key by its path (`("instruction", 2, "key")`)."""
    lines: dict[Path, int] = {}
    tables: Counter[Path] = Counter()
    prefix: Path = ()
    depth, quotes = 0, None
    for number, text in enumerate(source.splitlines(), start=1):
        if quotes or depth > 0:
            depth, quotes = _after(text, depth, quotes)
            continue
        if header := _HEADER.match(text):
            names: Path = tuple(part.strip().strip("\"'") for part in header[2].split("."))
            if header[1] == "[[":
                prefix = (*names, tables[names])
                tables[names] += 1
            else:
                prefix = names
            lines.setdefault(names, number)
            lines.setdefault(prefix, number)
        elif key := _KEY.match(text):
            lines[(*prefix, key[1].strip("\"'"))] = number
            depth, quotes = _after(text[key.end() :], depth, quotes)
    return lines


def line_of(lines: Mapping[Path, int], path: Sequence[str | int]) -> int:
    """Return the line of the deepest part of `path` that is known; 0 when none is."""
    for length in range(len(path), 0, -1):
        if line := lines.get(tuple(path[:length])):
            return line
    return 0


@dataclass(frozen=True)
class Places:
    """Where the values of a table stand that was put together from several files."""

    file: pathlib.Path = pathlib.Path()
    """The file that asked for the others; what stands nowhere is missing there."""
    known: Mapping[Path, tuple[pathlib.Path, int]] = field(default_factory=dict)

    def of(self, path: Sequence[str | int]) -> tuple[pathlib.Path, int]:
        """Return the file and line of the deepest part of `path` that is known; line 0 when none is."""
        for length in range(len(path), 0, -1):
            if found := self.known.get(tuple(path[:length])):
                return found
        return self.file, 0


def _after(text: str, depth: int, quotes: str | None) -> tuple[int, str | None]:
    """Return the bracket depth and the open multi-line quote after a line."""
    position = 0
    while position < len(text):
        if quotes:
            end = text.find(quotes, position)
            if end < 0:
                return depth, quotes if len(quotes) == 3 else None
            position, quotes = end + len(quotes), None
            continue
        character = text[position]
        if character == "#":
            break
        if character in "\"'":
            quotes = text[position : position + 3] if text[position : position + 3] == character * 3 else character
            position += len(quotes)
            continue
        depth += (character in "[{") - (character in "]}")
        position += 1
    return depth, quotes if quotes and len(quotes) == 3 else None
