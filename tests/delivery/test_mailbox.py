"""The mailbox that patients write to: read from a real server, and no mail is marked before it is stored."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
from sqlalchemy import select
from sqlmodel import col

from reminders.errors import Unreachable
from reminders.records.tables import Reply
from tests.delivery.peers.dovecot import PASSWORD, DovecotServer
from tests.desk.office import open_office
from tests.exchange.test_mail_reading import raw
from tests.servers import fresh_database
from tests.waiting import until

MARKED = "KEYWORD RemindersTaken"


@pytest.fixture(scope="module")
def running() -> Iterator[DovecotServer]:
    server = DovecotServer()
    yield server
    server.stop()


@pytest.fixture
def server(running: DovecotServer) -> Iterator[DovecotServer]:
    """The mailbox, empty."""
    yield running
    running.clear()


@pytest.mark.parametrize("tls", ["tls", "starttls"])
def test_every_mail_is_taken_once_oldest_first_and_stays_with_a_mark(server: DovecotServer, tls: str) -> None:
    taken: list[bytes] = []
    port = server.tls_port if tls == "tls" else server.port
    mailbox = server.mailbox(taken.append, tls=tls, port=port)
    server.put(raw("one"), raw("two"))
    assert (mailbox.fetch(), mailbox.fetch()) == (2, 0)
    server.put(raw("three"))
    assert mailbox.fetch() == 1
    assert [mail.split()[-1] for mail in taken] == [b"one", b"two", b"three"]
    assert (server.count(), server.count(search=MARKED), server.count(search="UNSEEN")) == (3, 3, 3)


def test_a_mail_that_a_person_opened_before_is_taken_all_the_same(server: DovecotServer) -> None:
    server.put(raw("one"))
    server.open_as_a_person()
    taken: list[bytes] = []
    assert server.mailbox(taken.append).fetch() == 1


def test_taken_mails_are_moved_when_a_folder_is_named(server: DovecotServer) -> None:
    mailbox = server.mailbox(lambda _mail: None, move_to="Taken")
    server.put(raw("one"), raw("two"))
    assert mailbox.fetch() == 2
    assert (server.count(), server.count("Taken"), mailbox.fetch()) == (0, 2, 0)


def test_a_mail_that_was_not_stored_comes_again_and_stops_no_other(server: DovecotServer) -> None:
    taken: list[bytes] = []
    broken = True

    def take_in(mail: bytes) -> None:
        if broken and b"first" in mail:
            raise RuntimeError("the database is away")
        taken.append(mail)

    mailbox = server.mailbox(take_in)
    server.put(raw("first"), raw("second"))
    assert mailbox.fetch() == 1
    assert server.count(search=MARKED) == 1
    broken = False
    assert mailbox.fetch() == 1
    assert [mail.split()[-1] for mail in taken] == [b"second", b"first"]


def test_a_reader_that_dies_before_the_mark_is_given_the_mail_again(server: DovecotServer) -> None:
    class Died(BaseException):
        """As a kill does: nothing after it runs."""

    stored: list[bytes] = []

    def store_and_die(mail: bytes) -> None:
        stored.append(mail)
        raise Died

    server.put(raw("one"))
    with pytest.raises(Died):
        server.mailbox(store_and_die).fetch()
    assert server.mailbox(stored.append).fetch() == 1
    assert stored[0] == stored[1]  # and the intake knows it by its octets: tests/delivery/test_mail_intake.py


def test_a_reader_that_dies_before_a_batch_is_marked_is_given_it_again_and_none_counts_twice(
    server: DovecotServer, tmp_path: Path
) -> None:
    class Died(BaseException):
        """As above."""

    office = open_office(tmp_path, fresh_database("sqlite", tmp_path), "2026-06-10T10:30")
    intake, batches = office.app.mail_intake, []

    def store_and_die(mails: Sequence[bytes]) -> list[Exception | None]:
        assert intake.take_in_apart(mails) == [None] * len(mails)
        batches.append(len(mails))
        raise Died

    texts = [f"question {number}" for number in range(60)]
    server.put(*(raw(text, From="robin@example.org", Message_ID=f"<{text[9:]}@example.org>") for text in texts))
    with pytest.raises(Died):
        server.reader(store_and_die).fetch()
    assert (batches, server.count(search=MARKED)) == ([50], 0)
    assert server.reader(intake.take_in_apart).fetch() == 60
    assert server.count(search=MARKED) == 60
    with office.database.reading() as session:
        stored = list(session.execute(select(col(Reply.text)).order_by(col(Reply.id))).scalars())
    assert stored == texts
    office.database.close()


@pytest.mark.parametrize(
    "settings",
    [
        pytest.param({"password": {"env": "INVENTED_PASSWORD"}}, id="wrong-password"),
        pytest.param({"ca_file": None}, id="certificate-of-nobody-we-trust"),
        pytest.param({"port": 1}, id="nobody-listens"),
        pytest.param({"mailbox": "Missing"}, id="no-such-folder"),
    ],
)
def test_a_mailbox_that_can_not_be_read_says_so_and_tells_no_secret(
    server: DovecotServer, settings: dict[str, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("INVENTED_PASSWORD", "wrong")
    server.put(raw("one"))
    with pytest.raises(Unreachable) as caught:
        server.mailbox(lambda _mail: None, **settings).fetch()
    assert "secret" not in str(caught.value)
    assert PASSWORD not in str(caught.value)


def test_a_large_mail_is_read_at_its_front(server: DovecotServer) -> None:
    taken: list[bytes] = []
    server.put(raw("my toe is black\r\n" + "x" * 70 + "\r\n" * 1000))
    server.mailbox(taken.append).fetch()
    assert b"my toe is black" in taken[0]


def test_the_service_fetches_by_itself_and_answers(server: DovecotServer, tmp_path: Path) -> None:
    mailbox = {
        "host": "localhost",
        "port": server.tls_port,
        "ca_file": str(server.folder / "ca.pem"),
        "user": "practice",
        "password": {"env": PASSWORD},
        "poll_seconds": 5,
    }
    address = fresh_database("sqlite", tmp_path)
    office = open_office(tmp_path, address, "2026-06-10T10:30", mailbox=mailbox)
    server.put(raw("I can't breathe and my face is swelling", From="robin@example.org", Message_ID="<7@example.org>"))
    runner = office.app.runner(office.dispatcher)
    runner.start()
    try:
        until(lambda: list((office.app.config.outbox_folder / "emails").glob("*.eml")))
    finally:
        runner.close()
    (path,) = (office.app.config.outbox_folder / "emails").glob("*.eml")
    answer = path.read_text()
    assert "Call 911 now" in answer.replace("=\n", "")
    assert "In-Reply-To: <7@example.org>" in answer
    assert [each.urgency for each in office.concerns()] == ["emergency"]
    assert server.count(search=MARKED) == 1
    office.dispatcher.close()
    office.database.close()
