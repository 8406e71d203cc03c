"""Queries about the settings that a practice changed on its pages: rows are only ever added."""

from __future__ import annotations

from sqlalchemy import bindparam, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.tables import Practice
from reminders.records.tables_settings import PracticeSetting


def newest_version(session: Session, practice_id: str) -> int:
    """Return the version of a practice's last change; 0 when there was none."""
    return session.connection().execute(_NEWEST, {"practice": practice_id}).scalar_one() or 0


def settings_in_force(session: Session, practice_id: str) -> dict[str, PracticeSetting]:
    """Return the last change of each section; a section that was never changed is missing."""
    newest = (
        select(func.max(col(PracticeSetting.version)))
        .where(col(PracticeSetting.practice_id) == practice_id)
        .group_by(col(PracticeSetting.section))
    )
    statement = select(PracticeSetting).where(
        col(PracticeSetting.practice_id) == practice_id, col(PracticeSetting.version).in_(newest)
    )
    return {each.section: each for each in session.execute(statement).scalars()}


def setting_of(session: Session, practice_id: str, version: int) -> PracticeSetting | None:
    """Return one change."""
    return session.get(PracticeSetting, (practice_id, version))


def setting_history(session: Session, practice_id: str) -> list[PracticeSetting]:
    """Return every change of a practice, the newest first."""
    statement = (
        select(PracticeSetting)
        .where(col(PracticeSetting.practice_id) == practice_id)
        .order_by(col(PracticeSetting.version).desc())
    )
    return list(session.execute(statement).scalars())


def add_setting(session: Session, change: PracticeSetting) -> int:
    """Store a change under the next version, which it returns; of two that come at once, one waits for the other."""
    session.execute(select(col(Practice.id)).where(col(Practice.id) == change.practice_id).with_for_update())
    change.version = newest_version(session, change.practice_id) + 1
    session.add(change)
    session.flush()
    return change.version


# Built once, as every request runs it: to build it costs more than to run it.
_NEWEST = select(func.max(col(PracticeSetting.version))).where(
    col(PracticeSetting.practice_id) == bindparam("practice")
)
