"""A reply that a message centre brings again, since it did not hear that we have it, counts once; SMPP names none."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from reminders.delivery.transports.smpp import SmppTransport
from tests.delivery.peers.smpp import ENQUIRE, SmppPeer
from tests.desk.office import Office, open_office
from tests.servers import fresh_database
from tests.waiting import until

REFERENCE = 0x0204
"""user_message_reference (SMPP 3.4 section 5.3.2.17)."""


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    """A practice with a database of its own."""
    opened = open_office(tmp_path, fresh_database("sqlite", tmp_path), "2026-06-10T10:30")
    yield opened
    opened.database.close()


@pytest.fixture
def centre(office: Office) -> Iterator[SmppPeer]:
    """A message centre on loopback, and our link to it, bound, whose replies go into the practice's database."""
    peer = SmppPeer(take_in=office.app.intake.take_in, heard=office.app.intake.note_heard)
    until(lambda: peer.transport._bound)
    yield peer
    peer.close()


def _replies(office: Office) -> int:
    return len(office.dump()["reply"])


def _names(office: Office) -> list[object]:
    with office.database.reading() as session:
        return list(session.connection().exec_driver_sql("SELECT gateway_ref FROM reply").scalars())


def _bring(centre: SmppPeer, text: bytes, **fields: object) -> None:
    """Bring a reply and wait until it was answered; a centre that is deaf to our question has not heard the answer."""
    before = len(centre.answers)
    centre.deliver(text, sequence=before + 1, **fields)
    until(lambda: len(centre.answers) > before)
    assert centre.answers[-1][1] == 0


def _bind_anew(centre: SmppPeer) -> None:
    transport: SmppTransport = centre.transport
    before = transport._bound
    centre.cut()
    until(lambda: transport._bound not in {None, before})


def test_what_comes_again_after_the_link_broke_counts_once(office: Office, centre: SmppPeer) -> None:
    centre.is_deaf_to = ENQUIRE
    _bring(centre, b"it bleeds")
    _bind_anew(centre)
    _bring(centre, b"it bleeds")
    assert _replies(office) == 1


def test_what_comes_again_after_the_process_died_counts_once(office: Office, centre: SmppPeer) -> None:
    centre.is_deaf_to = ENQUIRE
    _bring(centre, b"it bleeds")
    del office.app.__dict__["intake"]
    after = SmppPeer(take_in=office.app.intake.take_in, heard=office.app.intake.note_heard)
    until(lambda: after.transport._bound)
    _bring(after, b"it bleeds")
    after.close()
    assert _replies(office) == 1


def test_the_same_words_written_anew_count_again_once_the_centre_has_heard(office: Office, centre: SmppPeer) -> None:
    for count in (1, 2):
        _bring(centre, b"yes")
        until(lambda: _names(office) == [None] * count)  # noqa: B023
    _bind_anew(centre)
    _bring(centre, b"yes")
    assert _replies(office) == 3


@pytest.mark.parametrize(
    "other",
    [
        pytest.param({"source": "12025550144"}, id="another sender"),
        pytest.param({"data_coding": 3}, id="another alphabet"),
        pytest.param({"tlvs": {REFERENCE: b"\0\2"}}, id="another reference of the sender's"),
    ],
)
def test_what_differs_in_anything_is_another_reply(office: Office, centre: SmppPeer, other: dict[str, object]) -> None:
    centre.is_deaf_to = ENQUIRE
    _bring(centre, b"yes", tlvs={REFERENCE: b"\0\1"})
    _bring(centre, b"yes", **{"tlvs": {REFERENCE: b"\0\1"}, **other})
    assert _replies(office) == 2


def test_after_an_hour_nobody_brings_anything_again(office: Office, centre: SmppPeer) -> None:
    centre.is_deaf_to = ENQUIRE
    _bring(centre, b"yes")
    office.clock.move_to(office.clock.now() + timedelta(hours=1, seconds=1))
    _bring(centre, b"yes")
    assert _replies(office) == 2


def test_nobody_can_tell_what_was_written_from_what_is_kept_of_it(office: Office, centre: SmppPeer) -> None:
    centre.is_deaf_to = ENQUIRE
    _bring(centre, b"yes")
    (name,) = _names(office)
    assert str(name).startswith("unheard-")
    assert "yes" not in str(name)
    assert "5550143" not in str(name)
