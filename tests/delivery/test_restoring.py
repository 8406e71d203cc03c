"""The restore drill: a copy taken while messages go out, put back, and dispatched from: nothing twice."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from reminders.clock import VirtualClock
from reminders.delivery.after_restore import WaysOut
from reminders.delivery.restoring import Restored, RestoreRules, restore
from reminders.errors import ConfigError, InputError
from reminders.records.backup import back_up, read_manifest
from reminders.records.database import Database
from reminders.records.engines import parse_url
from tests.delivery.peers.peer import outgoing
from tests.delivery.scripted import ScriptedTransport, dispatcher
from tests.records.older import WORD, older_database
from tests.records.traces import traces
from tests.servers import KEYS, fresh_database, open_database, postgresql
from tests.stored import NOON, add_course, concerns, messages, row, soaks, states, store

LATER = NOON + timedelta(hours=1)


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """A database of its own: it is dropped, and nothing else may be connected to it."""
    made = fresh_database(request.param, tmp_path)
    yield made
    if request.param == "postgresql":
        postgresql().drop(str(parse_url(made).database))


def _stocked(url: str) -> Database:
    """Three due at noon, four in the hour after, two later; a third of them about medicine."""
    database = open_database(url)
    add_course(database)
    rows = [row(n, due_at=NOON) for n in (1, 2, 3)]
    rows += [row(n, due_at=NOON + timedelta(minutes=10 * (n - 3))) for n in (4, 5, 6, 7)]
    rows += [row(n, due_at=LATER + timedelta(minutes=10)) for n in (8, 9)]
    changed = [
        {
            **each,
            "in_doubt": "hold" if each["occurrence"] % 3 == 0 else "resend",
            "useful_until": NOON + timedelta(days=1),
        }
        for each in rows
    ]
    store(database, *changed)
    return database


def _put_back(url: str, copy: Path, transport: ScriptedTransport, **changes: object) -> Restored:
    rules = {"now": LATER, "replace": True, **changes}
    return restore(
        url,
        copy,
        RestoreRules(
            ways=lambda: WaysOut(practice_id="main", transports={"sms": transport}),
            concern_due=lambda _urgency, at: at + timedelta(hours=1),
            keyring=KEYS,
            **rules,  # type: ignore[arg-type]
        ),
    )


@pytest.mark.parametrize("remembers", [False, True], ids=["cannot-ask", "asks"])
def test_a_restored_copy_sends_nothing_twice_and_shows_staff_what_it_cannot_know(
    url: str, tmp_path: Path, remembers: bool
) -> None:
    database = _stocked(url)
    clock, transport = VirtualClock(NOON), ScriptedTransport(remembers=remembers)
    dispatcher(database, transport, clock=clock).run_once()
    back_up(url, tmp_path / "copy", now=NOON)
    clock.move_to(NOON + timedelta(minutes=25))
    dispatcher(database, transport, clock=clock).run_once()  # 4 and 5; then the program stands still
    database.close()

    done = _put_back(url, tmp_path / "copy", transport)

    database = open_database(url)
    clock.move_to(NOON + timedelta(hours=2))
    dispatcher(database, transport, clock=clock).run_once()
    found = states(database)
    if remembers:
        assert (done.report.went_out, done.report.stayed, done.report.uncertain) == (2, 2, 0)
        assert found == ["sent"] * 9
    else:
        assert (done.report.went_out, done.report.stayed, done.report.uncertain) == (0, 0, 4)
        assert found == ["sent"] * 3 + ["uncertain"] * 4 + ["sent"] * 2
    assert max(Counter(transport.ids).values()) == 1
    (told,) = concerns(database)
    assert told.urgency == "urgent"
    assert f"{done.report.uncertain} messages may or may not have gone out" in told.summary
    database.close()


def test_what_came_due_after_the_lost_program_stopped_goes_out_as_planned(url: str, tmp_path: Path) -> None:
    database = _stocked(url)
    back_up(url, tmp_path / "copy", now=NOON - timedelta(minutes=1))
    database.close()
    transport = ScriptedTransport()
    done = _put_back(url, tmp_path / "copy", transport, ran_until=NOON + timedelta(minutes=5))
    assert done.report.uncertain == 3
    database = open_database(url)
    dispatcher(database, transport, clock=VirtualClock(LATER)).run_once()
    assert states(database) == ["uncertain"] * 3 + ["sent"] * 4 + ["scheduled"] * 2
    database.close()


def test_what_was_in_hand_when_the_copy_was_taken_is_settled_too(url: str, tmp_path: Path) -> None:
    database = open_database(url)
    add_course(database)
    in_hand: dict[str, Any] = {
        "state": "sending",
        "claim_token": "dead",
        "lease_until": NOON,
        "handed_at": NOON,
        "transport": "scripted",
    }
    ids = store(database, *soaks(2, **in_hand))
    back_up(url, tmp_path / "copy", now=NOON)
    knows = ScriptedTransport(remembers=True)
    name = database.installation_name()
    database.close()
    knows.handed.append(outgoing(ids[0], idempotency_key=f"{name}-{ids[0]}"))
    done = _put_back(url, tmp_path / "copy", knows)
    assert (done.report.went_out, done.report.stayed) == (1, 1)
    database = open_database(url)
    assert states(database) == ["sent", "scheduled"]
    assert database.installation_name() != name  # a gateway must not take new messages for the lost ones
    database.close()


def test_a_copy_taken_while_others_write_shows_one_moment(url: str, tmp_path: Path) -> None:
    database = _stocked(url)
    end = threading.Event()

    def write() -> None:
        number = 100
        while not end.is_set():
            store(database, *soaks(10, first=number))  # ten at a time, or none
            number += 10

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for number in range(3):
            made = back_up(url, tmp_path / f"copy{number}", now=NOON)
            assert made.messages % 10 == 9
            assert read_manifest(tmp_path / f"copy{number}") == made
    finally:
        end.set()
        writer.join()
    database.close()


def test_neither_a_copy_nor_a_database_is_replaced_unless_told(url: str, tmp_path: Path) -> None:
    _stocked(url).close()
    back_up(url, tmp_path / "copy", now=NOON)
    with pytest.raises(InputError, match="say --force"):
        back_up(url, tmp_path / "copy", now=NOON)
    with pytest.raises(InputError, match="say --replace"):
        _put_back(url, tmp_path / "copy", ScriptedTransport(), replace=False)
    back_up(url, tmp_path / "copy", now=LATER, replace=True)
    assert read_manifest(tmp_path / "copy").taken_at == LATER


def test_a_database_in_use_is_not_replaced(url: str, tmp_path: Path) -> None:
    database = _stocked(url)
    back_up(url, tmp_path / "copy", now=NOON)
    with database.reading(), pytest.raises(InputError, match=r"stop .* first"):
        _put_back(url, tmp_path / "copy", ScriptedTransport())
    assert states(database) == ["scheduled"] * 9
    database.close()


def test_a_damaged_copy_is_refused_and_the_database_is_as_it_was(url: str, tmp_path: Path) -> None:
    database = _stocked(url)
    copy = tmp_path / "copy"
    back_up(url, copy, now=NOON)
    octets = bytearray(copy.read_bytes())
    octets[len(octets) // 2] ^= 0xFF
    copy.write_bytes(octets)
    database.close()
    with pytest.raises(InputError, match="damaged"):
        _put_back(url, copy, ScriptedTransport())
    (tmp_path / "copy.json").unlink()
    with pytest.raises(InputError, match="is missing"):
        _put_back(url, copy, ScriptedTransport())
    database = open_database(url)
    assert states(database) == ["scheduled"] * 9
    database.close()


def test_the_files_are_their_owners_only_and_the_old_database_is_kept(tmp_path: Path) -> None:
    url = fresh_database("sqlite", tmp_path)
    _stocked(url).close()
    back_up(url, tmp_path / "copy", now=NOON)
    assert {(tmp_path / name).stat().st_mode & 0o777 for name in ("copy", "copy.json")} == {0o600}
    done = _put_back(url, tmp_path / "copy", ScriptedTransport())
    assert done.kept is not None
    kept = open_database(f"sqlite:///{done.kept}")
    assert states(kept) == ["scheduled"] * 9
    kept.close()
    assert Path(str(parse_url(url).database)).stat().st_mode & 0o777 == 0o600
    assert not list(tmp_path.glob("*.restoring*")) + list(tmp_path.glob("*.partial"))


def test_a_copy_comes_back_where_nothing_is_any_more(tmp_path: Path) -> None:
    url = fresh_database("sqlite", tmp_path)
    _stocked(url).close()
    back_up(url, tmp_path / "copy", now=NOON)
    elsewhere = tmp_path / "new host"
    done = _put_back(f"sqlite:///{elsewhere}/reminders.sqlite3", tmp_path / "copy", ScriptedTransport(), replace=False)
    assert done.kept is None
    database = open_database(f"sqlite:///{elsewhere}/reminders.sqlite3")
    assert len(messages(database)) == 9
    database.close()


def test_a_copy_of_another_kind_or_of_nothing_is_refused(tmp_path: Path) -> None:
    url = fresh_database("sqlite", tmp_path)
    _stocked(url).close()
    back_up(url, tmp_path / "copy", now=NOON)
    with pytest.raises(InputError, match="copy of a sqlite database"):
        _put_back("postgresql+psycopg://tests@127.0.0.1:1/none", tmp_path / "copy", ScriptedTransport())
    with pytest.raises(ConfigError, match="nothing was copied"):
        back_up(f"sqlite:///{tmp_path}/none", tmp_path / "other", now=NOON)


def test_a_copy_that_was_not_sealed_is_sealed_as_it_comes_back(url: str, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    kind = parse_url(url).get_backend_name()
    older = f"sqlite:///{tmp_path / 'older.db'}" if kind == "sqlite" else postgresql().create("not_sealed")
    older_database(older, rows=3)
    assert back_up(older, copy, now=NOON).key == ""
    if kind == "postgresql":
        with pytest.raises(InputError, match="into an empty database only"):
            _put_back(url, copy, ScriptedTransport())
        url = postgresql().create("comes_back")
    _put_back(url, copy, ScriptedTransport())
    assert traces(url, [WORD]) == []
    database = open_database(url)
    assert {each.text[: len(WORD)] for each in messages(database)} == {WORD}
    database.close()
    if kind == "postgresql":
        postgresql().drop("not_sealed")
        postgresql().drop("comes_back")
