"""Looks for words in what a database leaves on a disk, or a program anywhere, however either might write them."""

from __future__ import annotations

import base64
import json
import subprocess
from collections.abc import Iterator, Sequence
from pathlib import Path
from urllib.parse import quote

from reminders.records.backup_postgresql import _tool
from reminders.records.engines import parse_url
from tests.servers import postgresql

_ENCODINGS = ("utf-8", "utf-16-le", "utf-16-be")


def traces(url: str, words: Sequence[str]) -> list[tuple[str, str]]:
    """Return where which of the words stand in the files of a database, its log, or what its own tools print of it."""
    return [(name, word) for name, octets in _left_by(url) for word in held(octets, words)]


def traces_in(path: Path, words: Sequence[str]) -> list[str]:
    """Return which of the words stand in a file."""
    return held(path.read_bytes(), words)


def held(octets: bytes, words: Sequence[str]) -> list[str]:
    """Return which words octets hold, in any case.

    Looked for in UTF-8, UTF-16, percent-encoding, JSON escapes, base64 at any place, and in hexadecimal, as PostgreSQL
    prints octets.
    """
    lower = octets.lower()
    return [word for word in words if any(form.lower() in lower for form in _forms(word))]


def _forms(word: str) -> Iterator[bytes]:
    yield from (each.encode(encoding) for encoding in _ENCODINGS for each in (word, word.lower(), word.upper()))
    yield word.encode().hex().encode()
    yield quote(word).encode()
    yield json.dumps(word)[1:-1].encode()
    for before in range(3):
        encoded = base64.b64encode(b"\0" * before + word.encode())
        # what shares a letter with its neighbours is left out
        yield encoded[(0, 2, 3)[before] : (before + len(word.encode())) * 8 // 6]


def _left_by(url: str) -> Iterator[tuple[str, bytes]]:
    parsed = parse_url(url)
    if parsed.get_backend_name() == "sqlite":
        path = Path(str(parsed.database))
        yield from ((each.name, each.read_bytes()) for each in path.parent.glob(f"{path.name}*") if each.is_file())
        return
    server = postgresql()
    server.ask("CHECKPOINT")
    number = server.ask(f"SELECT oid FROM pg_database WHERE datname = '{parsed.database}'")
    folder = server.data / "base" / str(number)
    yield from ((str(each.relative_to(folder)), each.read_bytes()) for each in folder.iterdir() if each.is_file())
    dump = [_tool("pg_dump"), "--inserts", "--dbname", url.replace("+psycopg", "")]
    yield "pg_dump", subprocess.run(dump, capture_output=True, check=True).stdout
