"""The tables of what the desk does beside the messages: tasks for staff, visits, patients' pages, what is done once."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import CheckConstraint, Column, ForeignKey, Index, Table, text
from sqlmodel import Field, SQLModel

import reminders.records.tables_concerns  # noqa: F401  what is referred to
from reminders.records.columns import BigId, Instant


class DoneOnce(SQLModel, table=True):
    """Something that a recurring job does once and not again, such as the digest of a day."""

    __tablename__ = "done_once"

    practice_id: str = Field(primary_key=True)
    what: str = Field(primary_key=True)
    at: datetime = Field(sa_column=Column(Instant, nullable=False))


class StaffTask(SQLModel, table=True):
    """Something of a course that staff see to at its moment; then it becomes a concern."""

    __tablename__ = "staff_task"
    __table_args__ = (
        # serves the search for tasks whose moment has come: grows with what waits, not with what was done
        Index(
            "ix_staff_task_due",
            "practice_id",
            "due_at",
            sqlite_where=text("state = 'waiting'"),
            postgresql_where=text("state = 'waiting'"),
        ),
        CheckConstraint("state IN ('waiting', 'opened', 'cancelled')", name="ck_staff_task_state"),
        CheckConstraint("(state = 'opened') = (concern_id IS NOT NULL)", name="ck_staff_task_opened"),
    )

    enrollment_id: int = Field(
        sa_column=Column(BigId, ForeignKey("enrollment.id"), primary_key=True, autoincrement=False)
    )
    key: str = Field(primary_key=True)
    occurrence: int = Field(primary_key=True)
    """Counted from 1 within a key."""
    practice_id: str
    says: str
    """What is to be seen to, as a question."""
    due_at: datetime = Field(sa_column=Column(Instant, nullable=False))
    """When it becomes a concern."""
    state: str = "waiting"
    """waiting; opened (there is, or was, a concern); cancelled (the course does not ask for it any more)."""
    concern_id: int | None = Field(default=None, sa_column=Column(BigId, ForeignKey("concern.id")))


class Visit(SQLModel, table=True):
    """The return visit of a course, as calendars hear of it."""

    enrollment_id: int = Field(
        sa_column=Column(BigId, ForeignKey("enrollment.id"), primary_key=True, autoincrement=False)
    )
    practice_id: str
    starts_at: datetime = Field(sa_column=Column(Instant, nullable=False))
    """Of a visit called off, when it would have been."""
    sequence: int
    changed_at: datetime = Field(sa_column=Column(Instant, nullable=False))
    is_cancelled: bool


class PatientPage(SQLModel, table=True):
    """The page of a course that the patient opens by a link; a row is there once something differs from a new one."""

    __tablename__ = "patient_page"

    enrollment_id: int = Field(
        sa_column=Column(BigId, ForeignKey("enrollment.id"), primary_key=True, autoincrement=False)
    )
    practice_id: str
    issue: int = 1
    """Counts the links and codes given out; only the last one opens the page."""
    failures: int = 0
    """Wrong codes in a row."""
    locked_until: datetime | None = Field(default=None, sa_column=Column(Instant, nullable=True))
    language: str | None = None
    """That the patient chose for the page; None: the language of the course."""


DONE_ONCE: Table = SQLModel.metadata.tables["done_once"]
STAFF_TASKS: Table = SQLModel.metadata.tables["staff_task"]
VISITS: Table = SQLModel.metadata.tables["visit"]
PATIENT_PAGES: Table = SQLModel.metadata.tables["patient_page"]
