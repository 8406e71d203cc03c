"""One trouble opens one concern."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from sqlalchemy import select

from reminders.records.concerns_once import Trouble, open_once
from reminders.records.database import Database
from reminders.records.tables_concerns import Concern, ConcernEvent
from tests.stored import NOON, add_course, concerns

TROUBLE = Trouble(
    practice_id="main",
    patient_id=1,
    enrollment_id=1,
    kind="delivery",
    about="enrollment 1: soak",
    urgency="routine",
    summary="soak was refused.",
    opened_at=NOON,
    due_at=NOON + timedelta(days=1),
)


def _open(database: Database, *troubles: Trouble) -> list[bool]:
    with database.writing() as session:
        return [open_once(session, each, by="delivery") is not None for each in troubles]


def test_a_concern_is_opened_with_the_first_line_of_its_history(database: Database) -> None:
    add_course(database)
    _open(database, TROUBLE)
    (concern,) = concerns(database)
    with database.reading() as session:
        (line,) = session.execute(select(ConcernEvent)).scalars()
    assert (concern.state, concern.about, concern.signs, concern.due_at) == ("open", TROUBLE.about, [], TROUBLE.due_at)
    assert (line.concern_id, line.action, line.by, line.note) == (concern.id, "opened", "delivery", "soak was refused.")


def test_the_same_trouble_opens_no_second_one(database: Database) -> None:
    add_course(database)
    assert _open(database, TROUBLE, replace(TROUBLE, urgency="urgent")) == [True, False]
    assert _open(database, TROUBLE) == [False]


def test_other_troubles_kinds_and_practices_open_their_own(database: Database) -> None:
    add_course(database)
    others = (replace(TROUBLE, about="enrollment 1: visit"), replace(TROUBLE, kind="task"))
    assert _open(database, TROUBLE, *others, replace(TROUBLE, practice_id="other")) == [True] * 4


def test_it_is_opened_again_once_the_first_is_closed(database: Database) -> None:
    add_course(database)
    _open(database, TROUBLE)
    with database.writing() as session:
        session.execute(select(Concern)).scalar_one().state = "closed"
    assert _open(database, TROUBLE, TROUBLE) == [True, False]
