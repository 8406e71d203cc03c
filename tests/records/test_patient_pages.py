"""What is kept about patients' pages, on both databases, also when many try codes at the same instant."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

from reminders.records.database import Database
from reminders.records.patient_pages import PageState, count_try, issue_again, page_state, set_page
from tests.stored import NOON, add_course

MOST = 7


def _state(database: Database) -> PageState:
    with database.reading() as session:
        return page_state(session, 1)


def _try(database: Database) -> int | None:
    with database.writing() as session:
        return count_try(session, 1, now=NOON, most=MOST)


def test_a_page_that_nobody_used_is_new(database: Database) -> None:
    add_course(database)
    assert _state(database) == PageState(issue=1, failures=0, locked_until=None, language=None)


def test_many_tries_at_once_are_counted_one_by_one(database: Database) -> None:
    add_course(database)
    with ThreadPoolExecutor(8) as pool:
        counted = list(pool.map(lambda _: _try(database), range(12)))
    assert sorted(each for each in counted if each is not None) == list(range(1, MOST + 1))
    assert counted.count(None) == 12 - MOST
    assert _state(database).failures == MOST


def test_no_try_is_counted_while_the_page_rests(database: Database) -> None:
    add_course(database)
    with database.writing() as session:
        set_page(session, 1, locked_until=NOON + timedelta(seconds=1))
    assert _try(database) is None
    with database.writing() as session:
        set_page(session, 1, locked_until=NOON)
    assert _try(database) == 1


def test_a_new_issue_forgets_wrong_codes_and_keeps_the_language(database: Database) -> None:
    add_course(database)
    _try(database)
    with database.writing() as session:
        set_page(session, 1, language="es", locked_until=NOON)
        issue_again(session, 1)
    assert _state(database) == PageState(issue=2, failures=0, locked_until=None, language="es")
