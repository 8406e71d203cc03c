"""The file transport: whole lines, durable before they are accepted, and honest after a crash."""

from __future__ import annotations

import json
import resource
import stat
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from email import message_from_bytes
from email.policy import default
from pathlib import Path

import pytest

from reminders.delivery.outgoing import Accepted
from reminders.delivery.transports.file import FileTransport
from reminders.delivery.transports.letter import Letterhead
from reminders.errors import ConfigError, Unreachable
from tests.delivery.peers.peer import email, sms
from tests.stored import NOON, PHONE


@contextmanager
def _opened(folder: Path) -> Iterator[FileTransport]:
    transport = FileTransport(
        folder, now=lambda: NOON, letterheads={"main": Letterhead(sender="Example Practice <care@example.org>")}
    )
    yield transport
    transport.close()


def _lines(folder: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in (folder / "messages.jsonl").read_text("utf-8").splitlines()]


def test_a_message_is_one_line_of_json(tmp_path: Path) -> None:
    with _opened(tmp_path / "new" / "folder") as transport:
        list(transport.hand_over([sms(7, text="Säubern\n“gently” 🦶")]))
    assert _lines(tmp_path / "new" / "folder") == [
        {
            "key": "abc-7",
            "at": "2026-06-10T19:00:00+00:00",
            "practice": "main",
            "channel": "sms",
            "to": PHONE,
            "language": "en",
            "text": "Säubern\n“gently” 🦶",
            "encoding": "gsm7",
            "segments": 1,
        }
    ]


def test_only_the_owner_may_read_what_patients_were_sent(tmp_path: Path) -> None:
    with _opened(tmp_path):
        assert stat.S_IMODE((tmp_path / "messages.jsonl").stat().st_mode) == 0o600


def test_an_email_is_a_file_that_mail_programs_open(tmp_path: Path) -> None:
    with _opened(tmp_path) as transport:
        list(transport.hand_over([email(3)]))
    parsed = message_from_bytes((tmp_path / "emails" / "abc-3.eml").read_bytes(), policy=default)
    body = parsed.get_body(("plain",))
    assert (parsed["To"], parsed["From"], parsed["Subject"]) == (
        "robin@example.org",
        "Example Practice <care@example.org>",
        "Your toe",
    )
    assert body is not None
    assert "Soak the" in body.get_content()
    assert [each["channel"] for each in _lines(tmp_path)] == ["email"]


def test_an_email_of_a_practice_without_a_sender_waits(tmp_path: Path) -> None:
    transport = FileTransport(tmp_path, now=lambda: NOON, letterheads={})
    assert [type(each) for each in transport.hand_over([email(), sms(2)])] == [Unreachable, Accepted]
    transport.close()


@pytest.mark.parametrize("torn", [1, 40, 150], ids=["first-letter", "in-the-middle", "all-but-the-end"])
def test_a_torn_last_line_is_repaired_and_was_never_accepted(tmp_path: Path, torn: int) -> None:
    with _opened(tmp_path) as transport:
        list(transport.hand_over([sms(1), sms(2)]))
    path = tmp_path / "messages.jsonl"
    whole = path.read_bytes()
    second = whole.splitlines(keepends=True)[1]
    path.write_bytes(whole[: len(whole) - len(second)] + second[:torn])
    with _opened(tmp_path) as transport:
        assert transport.look_up(["abc-1", "abc-2"]).absent == {"abc-2"}
        list(transport.hand_over([sms(2), sms(3)]))
    assert [each["key"] for each in _lines(tmp_path)] == ["abc-1", "abc-2", "abc-3"]


def test_a_torn_line_longer_than_what_is_read_at_once_is_repaired(tmp_path: Path) -> None:
    (tmp_path / "messages.jsonl").write_bytes(b'{"key": "abc-1"}\n{"key": "abc-2", "text": "' + b"x" * 200_000)
    with _opened(tmp_path) as transport:
        list(transport.hand_over([sms(3)]))
    assert [each["key"] for each in _lines(tmp_path)] == ["abc-1", "abc-3"]


def test_a_file_that_is_one_torn_line_is_emptied(tmp_path: Path) -> None:
    (tmp_path / "messages.jsonl").write_bytes(b'{"key": "abc-1')
    with _opened(tmp_path) as transport:
        assert transport.look_up(["abc-1"]).absent == {"abc-1"}
        list(transport.hand_over([sms(3)]))
    assert [each["key"] for each in _lines(tmp_path)] == ["abc-3"]


def test_a_full_disk_hands_over_nothing_and_breaks_no_line(tmp_path: Path) -> None:
    with _opened(tmp_path) as transport:
        list(transport.hand_over([sms(1)]))
        size = (tmp_path / "messages.jsonl").stat().st_size
        with _no_file_longer_than(size + 100):
            results = list(transport.hand_over([sms(2), sms(3)]))
        assert [type(each) for each in results] == [Unreachable] * 2
        list(transport.hand_over([sms(2)]))
    assert [each["key"] for each in _lines(tmp_path)] == ["abc-1", "abc-2"]


@contextmanager
def _no_file_longer_than(size: int) -> Iterator[None]:
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_two_writers_to_one_folder_never_mix_their_lines(tmp_path: Path) -> None:
    def write(first: int) -> None:
        with _opened(tmp_path) as transport:
            for start in range(first, first + 100, 10):
                list(transport.hand_over([sms(number, text="x" * 5_000) for number in range(start, start + 10)]))

    writers = [threading.Thread(target=write, args=(first,)) for first in (0, 100)]
    for each in writers:
        each.start()
    for each in writers:
        each.join()
    assert {each["key"] for each in _lines(tmp_path)} == {f"abc-{number}" for number in range(200)}


def test_a_folder_that_cannot_be_made_is_a_faulty_configuration(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(ConfigError, match=r"delivery\.file\.folder"), _opened(tmp_path / "file" / "below"):
        pass


def test_a_file_that_vanished_cannot_be_asked(tmp_path: Path) -> None:
    with _opened(tmp_path) as transport:
        (tmp_path / "messages.jsonl").unlink()
        with pytest.raises(Unreachable):
            transport.look_up(["abc-1"])
