"""Keys of other programs: shown once, kept as a hash, with the scopes they were given, and taken back at once."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from typing import Any

import pytest

from reminders.desk.api_answers import KEPT, forget_answers
from reminders.desk.api_keys import (
    KeyHolder,
    KeyState,
    NewKey,
    Scope,
    add_key,
    holder_of,
    list_keys,
    note_use,
    revoke_key,
)
from reminders.errors import InputError, NotFound
from reminders.records.api_answers import Answered, Call, claim, keep
from reminders.records.tables import Practice
from tests.databases import database_kind
from tests.desk.office import Office

__all__ = ["database_kind"]


def made(office: Office, name: str = "Appointment book", *scopes: str, **facts: Any) -> str:
    """A new key."""
    wanted = NewKey(name=name, scopes=scopes or ("enroll",), made_by="Ada Admin", **facts)
    with office.database.writing() as session:
        return add_key(session, office.desk, wanted)


def holder(office: Office, key: str) -> KeyHolder | None:
    """Whose key it is."""
    with office.database.reading() as session:
        return holder_of(session, office.desk, key)


def test_a_key_tells_who_calls_and_what_they_may_do(office: Office) -> None:
    found = holder(office, made(office, "Appointment book", "enroll", "messages:read"))
    assert found is not None
    assert (found.name, found.state) == ("Appointment book", KeyState.ACTIVE)
    assert found.scopes == {Scope.ENROLL, Scope.MESSAGES_READ}


def test_the_database_holds_no_key(office: Office) -> None:
    secret = made(office).rpartition("_")[2]
    assert secret not in str(office.dump())


def test_no_two_keys_are_alike(office: Office) -> None:
    keys = {made(office, f"Program {number}") for number in range(20)}
    assert len({key.split("_")[1] for key in keys}) == 20
    assert len({key.split("_", 2)[2] for key in keys}) == 20


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(lambda key: "", id="empty"),
        pytest.param(lambda key: key[:-1] + ("A" if key[-1] != "A" else "B"), id="one-letter"),
        pytest.param(lambda key: key + "A", id="longer"),
        pytest.param(lambda key: key.upper(), id="case"),
        pytest.param(lambda key: key.replace("reminders_", ""), id="no-beginning"),
        pytest.param(lambda key: key.replace(key.split("_")[1], "aaaaaaaaaa"), id="other-prefix"),
        pytest.param(lambda key: key + "\n", id="line-break"),
        pytest.param(lambda key: "ключ", id="other-script"),
    ],
)
def test_what_is_not_the_whole_key_is_nobodys(office: Office, change: Any) -> None:
    assert holder(office, change(made(office))) is None


def test_a_key_expires_at_its_moment(office: Office) -> None:
    key = made(office, expires_at=office.clock.now() + timedelta(days=1))
    office.clock.advance(timedelta(days=1) - timedelta(seconds=1))
    assert getattr(holder(office, key), "state", None) is KeyState.ACTIVE
    office.clock.advance(timedelta(seconds=1))
    assert getattr(holder(office, key), "state", None) is KeyState.EXPIRED


def test_a_revoked_key_holds_no_more_and_its_name_stays(office: Office) -> None:
    key = made(office)
    with office.database.writing() as session:
        revoke_key(session, office.desk, "Appointment book")
    assert getattr(holder(office, key), "state", None) is KeyState.REVOKED
    with pytest.raises(InputError, match="has this name"):
        made(office, "appointment BOOK")


def test_a_key_that_does_not_hold_cannot_be_revoked(office: Office) -> None:
    with office.database.writing() as session, pytest.raises(NotFound):
        revoke_key(session, office.desk, "Nobody")


def test_every_problem_of_a_new_key_is_named_at_once(office: Office) -> None:
    with pytest.raises(InputError) as caught:
        made(office, " ", "everything", expires_at=office.clock.now())
    assert len(caught.value.problems) == 3


def test_a_key_of_another_practice_is_no_key_here(office: Office) -> None:
    key = made(office)
    with office.database.writing() as session:
        session.add(Practice(id="other", name="Other", created_at=office.clock.now()))
    office.desk.__dict__["practice_id"] = "other"
    try:
        assert holder(office, key) is None
    finally:
        office.desk.__dict__["practice_id"] = "main"


def test_the_day_of_the_last_call_is_noted_once_a_day(office: Office) -> None:
    key = made(office)
    found = holder(office, key)
    assert found is not None
    assert not found.noted_today
    with office.database.writing() as session:
        note_use(session, office.desk, found)
    noted = holder(office, key)
    assert noted is not None
    assert noted.noted_today
    with office.database.reading() as session:
        ((row, _),) = list_keys(session, office.desk)
    assert row.last_used_on == office.clock.now().date()


def test_answers_are_forgotten_once_nobody_repeats_the_call(office: Office) -> None:
    found = holder(office, made(office))
    assert found is not None
    call = Call(api_key_id=found.key_id, idempotency_key="k", fingerprint="f")
    with office.database.writing() as session:
        assert claim(session, call, office.clock.now()) is None
        keep(session, call, status=201, headers={"Location": "/x"}, body="{}")
    office.clock.advance(KEPT)
    assert forget_answers(office.database, office.desk) == 0
    office.clock.advance(timedelta(seconds=1))
    assert forget_answers(office.database, office.desk) == 1


def test_who_claims_the_same_call_meanwhile_waits_for_its_answer(office: Office) -> None:
    """In another process, that is: within one the interface refuses at once."""
    found = holder(office, made(office))
    assert found is not None
    call = Call(api_key_id=found.key_id, idempotency_key="k", fingerprint="f")

    def claim_too() -> Answered | None:
        with office.database.writing() as session:
            return claim(session, call, office.clock.now())

    with ThreadPoolExecutor(1) as pool:
        with office.database.writing() as session:
            assert claim(session, call, office.clock.now()) is None
            second = pool.submit(claim_too)
            keep(session, call, status=201, headers={}, body="{}")
        assert second.result() == Answered(fingerprint="f", status=201, headers={}, body="{}")


def test_what_a_transaction_claimed_that_failed_is_free_again(office: Office) -> None:
    found = holder(office, made(office))
    assert found is not None
    call = Call(api_key_id=found.key_id, idempotency_key="k", fingerprint="f")
    with office.database.writing() as session:
        claim(session, call, office.clock.now())
        session.rollback()
    with office.database.writing() as session:
        assert claim(session, call, office.clock.now()) is None
