"""Queries about who works here, their links, their sign-ins, and the forms kept for them."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import CursorResult, bindparam, delete, func, or_, select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.tables_staff import KeptForm, StaffLink, StaffMember, StaffSession


def add_member(session: Session, member: StaffMember) -> None:
    """Add a person; the database refuses a login or name that the practice has already."""
    session.add(member)
    session.flush()


def member_of(session: Session, staff_id: int) -> StaffMember | None:
    """Return a person by their id, None when there is none."""
    return session.get(StaffMember, staff_id)


def members(session: Session, practice_id: str) -> list[StaffMember]:
    """Return everybody of the practice by name, those who left among them."""
    statement = select(StaffMember).where(col(StaffMember.practice_id) == practice_id)
    return list(session.execute(statement.order_by(func.lower(col(StaffMember.name)))).scalars())


def member_by_login(session: Session, practice_id: str, login: str) -> StaffMember | None:
    """Return the person with this login, None when there is none."""
    statement = select(StaffMember).where(col(StaffMember.practice_id) == practice_id, col(StaffMember.login) == login)
    return session.execute(statement).scalar_one_or_none()


def is_taken(session: Session, practice_id: str, *, login: str, name: str) -> bool:
    """Say whether somebody of the practice, here or gone, has this login or this name."""
    statement = select(col(StaffMember.id)).where(
        col(StaffMember.practice_id) == practice_id,
        or_(col(StaffMember.login) == login, func.lower(col(StaffMember.name)) == name.lower()),
    )
    return session.execute(statement.limit(1)).first() is not None


def set_member(session: Session, staff_id: int, **values: Any) -> None:
    """Change columns of a person."""
    session.execute(update(StaffMember).where(col(StaffMember.id) == staff_id).values(**values))


def count_failure(session: Session, staff_id: int) -> int:
    """Count one more try that may fail, and return how many there are in a row now."""
    statement = (
        update(StaffMember)
        .where(col(StaffMember.id) == staff_id)
        .values(failures=col(StaffMember.failures) + 1)
        .returning(col(StaffMember.failures))
    )
    return int(session.execute(statement).scalar_one())


def use_step(session: Session, staff_id: int, step: int) -> bool:
    """Note a code's step as used; False when this one or a later one was used before."""
    changed = session.execute(
        update(StaffMember)
        .where(col(StaffMember.id) == staff_id, col(StaffMember.totp_step) < step)
        .values(totp_step=step)
    )
    return isinstance(changed, CursorResult) and changed.rowcount == 1


def add_link(session: Session, link: StaffLink) -> None:
    """Add a link; earlier ones for the same person, or for the first administrator, hold no more."""
    same = col(StaffLink.staff_id).is_(None) if link.staff_id is None else col(StaffLink.staff_id) == link.staff_id
    session.execute(delete(StaffLink).where(same, col(StaffLink.practice_id) == link.practice_id))
    session.add(link)
    session.flush()


def open_link(session: Session, token_hash: str, now: datetime) -> StaffLink | None:
    """Return a link that may still be followed; None when it was, is too old, or never was."""
    statement = select(StaffLink).where(
        col(StaffLink.token_hash) == token_hash, col(StaffLink.used_at).is_(None), col(StaffLink.expires_at) > now
    )
    return session.execute(statement).scalar_one_or_none()


def use_link(session: Session, token_hash: str, now: datetime) -> bool:
    """Use a link up; False when somebody was faster."""
    changed = session.execute(
        update(StaffLink)
        .where(
            col(StaffLink.token_hash) == token_hash, col(StaffLink.used_at).is_(None), col(StaffLink.expires_at) > now
        )
        .values(used_at=now)
    )
    return isinstance(changed, CursorResult) and changed.rowcount == 1


def add_session(session: Session, row: StaffSession) -> None:
    """Add a sign-in, and forget the person's sessions that ended a day ago or more."""
    session.execute(
        delete(StaffSession).where(
            col(StaffSession.staff_id) == row.staff_id, col(StaffSession.ends_at) < row.started_at
        )
    )
    session.add(row)
    session.flush()


def session_of(session: Session, token_hash: str) -> tuple[StaffSession, StaffMember] | None:
    """Return a sign-in with its person, None when there is none; whether it still holds, the desk decides."""
    row = session.execute(_SESSION_OF, {"hashed": token_hash}).first()
    return None if row is None else (row[0], row[1])


def touch_session(session: Session, token_hash: str, now: datetime) -> None:
    """Note that the person is still there."""
    session.execute(update(StaffSession).where(col(StaffSession.token_hash) == token_hash).values(seen_at=now))


def end_sessions(session: Session, staff_id: int, *, only: str | None = None, but: str | None = None) -> None:
    """End a person's sign-ins; `only` the one with this hash, or all `but` that one."""
    statement = delete(StaffSession).where(col(StaffSession.staff_id) == staff_id)
    if only is not None:
        statement = statement.where(col(StaffSession.token_hash) == only)
    if but is not None:
        statement = statement.where(col(StaffSession.token_hash) != but)
    session.execute(statement)


def keep_form(session: Session, form: KeptForm) -> None:
    """Keep what a person had typed, in place of what was kept before."""
    session.merge(form)


def kept_form(session: Session, staff_id: int) -> KeptForm | None:
    """Return what is kept for a person, None when nothing is."""
    return session.get(KeptForm, staff_id)


def forget_form(session: Session, staff_id: int) -> None:
    """Keep nothing for a person any more."""
    session.execute(delete(KeptForm).where(col(KeptForm.staff_id) == staff_id))


# Built once, as every request runs it: to build it costs more than to run it.
_SESSION_OF = (
    select(StaffSession, StaffMember)
    .join(StaffMember, col(StaffMember.id) == col(StaffSession.staff_id))
    .where(col(StaffSession.token_hash) == bindparam("hashed"))
)
