"""What every transport has to do; a new one is one more line in `MAKERS`."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from importlib import import_module
from pathlib import Path

import pytest

from reminders.delivery.outgoing import Accepted, Outgoing
from reminders.delivery.transports import TRANSPORTS, Transport
from reminders.delivery.transports.file import FileTransport
from reminders.errors import Refused
from tests.stored import NOON, PHONE

MAKERS: dict[str, Callable[[Path], Transport]] = {
    "file": lambda folder: FileTransport(
        folder, now=lambda: NOON, senders={"main": "Example Practice <care@example.org>"}
    ),
}


@pytest.fixture(params=sorted(MAKERS))
def transport(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Transport]:
    made = MAKERS[request.param](tmp_path)
    yield made
    made.close()


def sms(number: int = 1, text: str = "Soak the toe.") -> Outgoing:
    return Outgoing(
        id=number,
        idempotency_key=f"abc-{number}",
        practice_id="main",
        channel="sms",
        address=PHONE,
        language="en",
        text=text,
        subject=None,
        markdown=None,
        encoding="gsm7",
        segments=1,
        answers=False,
    )


def email(number: int = 1, subject: str = "Your toe") -> Outgoing:
    return Outgoing(
        id=number,
        idempotency_key=f"abc-{number}",
        practice_id="main",
        channel="email",
        address="robin@example.org",
        language="en",
        text="Soak the toe.",
        subject=subject,
        markdown="Soak the **toe**.",
        encoding=None,
        segments=0,
        answers=False,
    )


def test_every_transport_registered_is_tested_here() -> None:
    assert TRANSPORTS.keys() == MAKERS.keys()
    for place in TRANSPORTS.values():
        module, _, name = place.partition(":")
        assert callable(getattr(import_module(module), name))


def test_every_message_taken_gets_a_result_in_order(transport: Transport) -> None:
    results = list(transport.hand_over([sms(1), sms(2), sms(3)]))
    assert all(isinstance(each, Accepted) for each in results)
    assert len({each.ref for each in results if isinstance(each, Accepted)}) == 3


def test_an_empty_batch_is_fine(transport: Transport) -> None:
    assert list(transport.hand_over([])) == []


def test_one_refused_does_not_stop_the_others(transport: Transport) -> None:
    results = list(transport.hand_over([email(1), email(2, subject="Hello\r\nBcc: all@example.org"), email(3)]))
    assert [type(each) for each in results] == [Accepted, Refused, Accepted]


def test_a_text_of_many_segments_in_any_script_is_accepted(transport: Transport) -> None:
    assert [type(each) for each in transport.hand_over([sms(text="Вымойте ногу 🦶\n" * 100)])] == [Accepted]


def test_a_transport_with_a_status_query_knows_what_went_out(transport: Transport) -> None:
    if not transport.capabilities.status_query:
        assert transport.look_up(["abc-1"]).absent == frozenset()
        return
    list(transport.hand_over([sms(1), sms(2)]))
    known = transport.look_up(["abc-2", "abc-3"])
    assert set(known.went_out) == {"abc-2"}
    assert known.absent == {"abc-3"}


def test_it_takes_no_more_than_it_hands_over(transport: Transport) -> None:
    taken: list[int] = []

    def offer() -> Iterator[Outgoing]:
        for number in (1, 2):
            taken.append(number)
            yield sms(number)

    assert len(list(transport.hand_over(offer()))) == len(taken)
