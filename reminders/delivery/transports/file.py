"""Hands messages over to a folder: one JSON line each, and an .eml file for e-mail. For demo, trial and tests."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from reminders.delivery.outgoing import Accepted, Capabilities, LookUp, Outgoing, Result
from reminders.delivery.transports.letter import Letterhead, letter
from reminders.errors import ConfigError, InDoubt, Refused, Unreachable
from reminders.sentences import english

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

_KEY = b'{"key": "'
_TAIL_BYTES = 65_536
_as_json = json.JSONEncoder(ensure_ascii=False).encode


class FileTransport:
    """Appends to `messages.jsonl` in a folder; what it accepted is on the disk."""

    name = "file"
    capabilities = Capabilities(
        channels=frozenset({"sms", "email"}),
        batch_size=750,  # each costs two waits for the disk; and nothing stays in doubt, as the file can be read
        receipts=False,
        idempotency_key=False,
        status_query=True,
    )

    def __init__(self, folder: Path, *, now: Callable[[], datetime], letterheads: Mapping[str, Letterhead]) -> None:
        """Write into `folder`, which is made when missing; `letterheads` are the practices' by id."""
        self._folder = folder
        self._now = now
        self._letterheads = letterheads
        try:
            (folder / "emails").mkdir(parents=True, exist_ok=True)
            self._file = os.open(folder / "messages.jsonl", os.O_CREAT | os.O_RDWR | os.O_APPEND, 0o600)
        except OSError as error:
            raise ConfigError(
                english("{file} can't be written: {why}").format(
                    file=f"delivery.file.folder: {folder}", why=error.strerror
                )
            ) from error
        _sync_folder(folder)

    def hand_over(self, batch: Iterable[Outgoing]) -> Iterator[Result]:
        """Write all messages, and say "accepted" once they are on the disk."""
        at = self._now()
        told_at = at.isoformat()
        messages = list(batch)
        refusals = {message.id: refusal for message in messages if (refusal := self._write_email(message, at))}
        if any(message.channel == "email" for message in messages):
            _sync_folder(self._folder / "emails")
        lines = b"".join(_line(message, told_at) for message in messages if message.id not in refusals)
        failure = self._append(lines)
        for message in messages:
            yield refusals.get(message.id) or failure or Accepted(ref=message.idempotency_key)

    def look_up(self, keys: Collection[str]) -> LookUp:
        """Tell from the file; it knows about every key. Unreachable when it can't be read."""
        wanted = {key.encode() for key in keys}
        found: dict[str, str] = {}
        try:
            with self._locked(), (self._folder / "messages.jsonl").open("rb") as lines:
                self._drop_torn_line()
                os.fsync(self._file)  # what a killed process wrote may still be in the system's memory only
                for line in lines:
                    key = line[len(_KEY) : line.find(b'"', len(_KEY))]
                    if key in wanted:
                        found[key.decode()] = key.decode()
        except OSError as error:
            raise Unreachable(english("messages.jsonl can't be read: {why}").format(why=error.strerror)) from error
        return LookUp(went_out=found, absent=frozenset(keys) - found.keys())

    def close(self) -> None:
        """Close the file."""
        os.close(self._file)

    def _append(self, lines: bytes) -> Unreachable | InDoubt | None:
        if not lines:
            return None
        with self._locked():
            self._drop_torn_line()
            size = os.fstat(self._file).st_size
            try:
                _write_all(self._file, lines)
            except OSError as error:
                os.ftruncate(self._file, size)
                return Unreachable(
                    english("{file} can't be written: {why}").format(file="messages.jsonl", why=error.strerror)
                )
            try:
                os.fsync(self._file)
            except OSError as error:
                return InDoubt(english("messages.jsonl may not be on the disk: {why}").format(why=error.strerror))
        return None

    def _drop_torn_line(self) -> None:
        """Cut off a last line without an end: the process that wrote it died and never said "accepted"."""
        size = os.fstat(self._file).st_size
        end = size
        while end:
            start = max(0, end - _TAIL_BYTES)
            os.lseek(self._file, start, os.SEEK_SET)
            block = os.read(self._file, end - start)
            if end == size and block.endswith(b"\n"):
                return
            if b"\n" in block:
                end = start + block.rindex(b"\n") + 1
                break
            end = start
        os.ftruncate(self._file, end)

    def _write_email(self, message: Outgoing, at: datetime) -> Refused | Unreachable | None:
        if message.channel != "email":
            return None
        try:
            eml = letter(message, self._letterheads, at)
        except (Refused, Unreachable) as error:
            return error
        path = self._folder / "emails" / f"{message.idempotency_key}.eml"
        try:
            with path.open("wb") as file:
                file.write(eml.octets)
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            return Unreachable(english("{file} can't be written: {why}").format(file=path.name, why=error.strerror))
        return None

    @contextmanager
    def _locked(self) -> Iterator[None]:
        # Two programs may write to one folder; each waits until the other's lines are whole.
        if sys.platform == "win32":
            os.lseek(self._file, 0, os.SEEK_SET)
            msvcrt.locking(self._file, msvcrt.LK_LOCK, 1)
            try:
                yield
            finally:
                os.lseek(self._file, 0, os.SEEK_SET)
                msvcrt.locking(self._file, msvcrt.LK_UNLCK, 1)
        else:
            fcntl.flock(self._file, fcntl.LOCK_EX)
            try:
                yield
            finally:
                fcntl.flock(self._file, fcntl.LOCK_UN)


def _line(message: Outgoing, at: str) -> bytes:
    # The key comes first, where `look_up` finds it without reading the rest.
    fields: dict[str, object] = {
        "key": message.idempotency_key,
        "at": at,
        "practice": message.practice_id,
        "channel": message.channel,
        "to": message.address,
        "language": message.language,
        "text": message.text,
    }
    if message.channel == "sms":
        fields |= {"encoding": message.encoding, "segments": message.segments}
    else:
        fields |= {"subject": message.subject}
    return _as_json(fields).encode() + b"\n"


def _write_all(file: int, content: bytes) -> None:
    view = memoryview(content)
    while view:
        view = view[os.write(file, view) :]


def _sync_folder(folder: Path) -> None:
    # A new file survives a power cut only when its folder is written, too; Windows has no such call.
    if sys.platform != "win32":
        handle = os.open(folder, os.O_RDONLY)
        os.fsync(handle)
        os.close(handle)
