"""Invite people to work here, let them choose a password by a link that holds once, change roles, let them go."""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import timedelta

from sqlalchemy.orm import Session

from reminders.desk.blamed import Blamed, blame
from reminders.desk.composing import Desk
from reminders.desk.contact_details import parse_name
from reminders.desk.passwords import hash_password
from reminders.desk.roles import Right, Role, rights_of
from reminders.desk.trail import Action, note_change
from reminders.errors import InputError, NotFound, StateError
from reminders.records import staff
from reminders.records.people import new_id
from reminders.records.tables_staff import StaffLink, StaffMember
from reminders.words import gettext, marked

LINK_HOLDS = timedelta(hours=72)
FIRST_LINK_HOLDS = timedelta(hours=24)
_LOGIN = re.compile(r"[a-z0-9][a-z0-9._@+-]{1,63}")


@dataclass(frozen=True, kw_only=True)
class Newcomer:
    """Whom to let in: nothing is checked yet."""

    login: str
    name: str
    roles: tuple[str, ...]
    license: str = ""


def first_link(session: Session, desk: Desk) -> str | None:
    """Return a token that makes its follower the first administrator; None when there is an administrator.

    Tokens of earlier calls hold no more.
    """
    if any(_runs_practice(each) for each in staff.members(session, desk.practice_id)):
        return None
    return _new_link(session, desk, None, FIRST_LINK_HOLDS)


def invite(session: Session, desk: Desk, newcomer: Newcomer) -> tuple[int, str]:
    """Add a person and return their id and the token of their link; InputError names every problem."""
    member = _checked(session, desk, newcomer)
    staff.add_member(session, member)
    _note(session, desk, Action.STAFF_INVITE, new_id(member.id), roles=member.roles)
    return new_id(member.id), _new_link(session, desk, new_id(member.id), LINK_HOLDS)


def invite_again(session: Session, desk: Desk, staff_id: int) -> str:
    """Return the token of a new link for somebody who is invited, or forgot their password; old links hold no more.

    Their password and second factor are gone and every sign-in of theirs ends, lest a lost telephone stays a key.
    """
    member = _found(session, desk, staff_id)
    if member.state == "closed":
        raise StateError(gettext("{name} does not work here any more", name=member.name))
    _keep_an_administrator(session, desk, without=staff_id)
    staff.set_member(session, staff_id, state="invited", password_hash=None, totp_secret=None, failures=0)
    staff.end_sessions(session, staff_id)
    _note(session, desk, Action.STAFF_LINK, staff_id)
    return _new_link(session, desk, staff_id, LINK_HOLDS)


def invited(session: Session, desk: Desk, token: str) -> StaffMember | None:
    """Return whom a link lets in, None for the first administrator; NotFound when it holds no more."""
    link = _link(session, desk, token)
    return None if link.staff_id is None else _found(session, desk, link.staff_id)


def follow_link(session: Session, desk: Desk, token: str, password: str, first: Newcomer | None = None) -> int:
    """Use a link up and set the password; returns the person's id. `first` is who the first administrator is.

    NotFound when the link holds no more, InputError when password or name will not do; then it may be used again.
    """
    link = _link(session, desk, token)
    if link.staff_id is None:
        if first is None:
            raise InputError(gettext("say who you are"))
        member = _checked(session, desk, first)
        member.roles = sorted({*member.roles, Role.ADMINISTRATOR})
        staff.add_member(session, member)
    else:
        member = _found(session, desk, link.staff_id)
    hashed = hash_password(password, about=(member.login, *member.name.split()))
    if not staff.use_link(session, hash_token(token), desk.clock.now()):
        raise NotFound(gettext("this link was used, or is too old; ask for a new one"))
    staff.set_member(session, new_id(member.id), password_hash=hashed, state="active", failures=0, locked_until=None)
    _note(session, desk, Action.STAFF_JOIN, new_id(member.id), roles=member.roles)
    return new_id(member.id)


def who_works_concerns(session: Session, desk: Desk) -> tuple[str, ...]:
    """Return the names of everybody who may have a concern."""
    return tuple(
        each.name
        for each in staff.members(session, desk.practice_id)
        if each.state == "active" and Right.WORK_CONCERNS in rights_of(each.roles)
    )


def set_roles(session: Session, desk: Desk, staff_id: int, roles: Iterable[str], *, license_number: str) -> None:
    """Give a person these roles and no others; StateError when nobody would be left to run the practice."""
    member = _found(session, desk, staff_id)
    chosen = _roles(roles, license_number)
    if Role.ADMINISTRATOR not in chosen:
        _keep_an_administrator(session, desk, without=staff_id)
    license_kept = parse_name(license_number, what=marked("licence"))
    staff.set_member(session, new_id(member.id), roles=chosen, license=license_kept)
    _note(session, desk, Action.STAFF_ROLES, staff_id, roles=chosen)


def let_go(session: Session, desk: Desk, staff_id: int) -> None:
    """Close a person's access at once; their name stays in the histories."""
    member = _found(session, desk, staff_id)
    _keep_an_administrator(session, desk, without=staff_id)
    staff.set_member(session, new_id(member.id), state="closed", password_hash=None, totp_secret=None)
    staff.end_sessions(session, staff_id)
    _note(session, desk, Action.STAFF_GONE, staff_id)


def hash_token(token: str) -> str:
    """Return what is kept of a token: who reads the database can't use it."""
    return hashlib.sha256(token.encode()).hexdigest()


def _note(session: Session, desk: Desk, action: Action, staff_id: int, **details: object) -> None:
    note_change(session, desk, action, (None, f"staff {staff_id}"), details=details)


def _new_link(session: Session, desk: Desk, staff_id: int | None, holds: timedelta) -> str:
    token = secrets.token_urlsafe(32)
    link = StaffLink(
        token_hash=hash_token(token),
        practice_id=desk.practice_id,
        staff_id=staff_id,
        expires_at=desk.clock.now() + holds,
    )
    staff.add_link(session, link)
    return token


def _link(session: Session, desk: Desk, token: str) -> StaffLink:
    link = staff.open_link(session, hash_token(token), desk.clock.now())
    if link is None or link.practice_id != desk.practice_id:
        raise NotFound(gettext("this link was used, or is too old; ask for a new one"))
    return link


def _checked(session: Session, desk: Desk, newcomer: Newcomer) -> StaffMember:
    problems: list[str] = []
    login = newcomer.login.strip().lower()
    if not _LOGIN.fullmatch(login):
        says = gettext("a sign-in name has 2 to 64 of these: a-z, 0-9, dot, hyphen, underscore, plus, @")
        problems += blame("login", [says])
    try:
        name = parse_name(newcomer.name, what=marked("name"))
    except InputError as error:
        problems += blame("name", error.problems)
        name = ""
    if not name:
        problems += blame("name", [gettext("the name is missing")])
    try:
        roles = _roles(newcomer.roles, newcomer.license)
    except InputError as error:
        problems += blame("roles", error.problems)
        roles = []
    if not problems and staff.is_taken(session, desk.practice_id, login=login, name=name):
        problems.append(
            gettext("somebody here has this name or sign-in name already; histories must tell people apart")
        )
    if problems:
        raise InputError(*problems)
    return StaffMember(
        practice_id=desk.practice_id,
        login=login,
        name=name,
        license=parse_name(newcomer.license, what=marked("licence")),
        roles=roles,
        created_at=desk.clock.now(),
    )


def _roles(roles: Iterable[str], license_number: str) -> list[str]:
    chosen = sorted(set(roles))
    if not chosen:
        raise InputError(gettext("choose at least one role"))
    if unknown := [each for each in chosen if each not in set(Role)]:
        raise InputError(
            gettext("no role {unknown}; there are {known}", unknown=", ".join(unknown), known=", ".join(Role))
        )
    if Role.CLINICIAN in chosen and not license_number.strip():
        missing = gettext("a clinician approves plans with their licence; its number is missing")
        raise InputError(Blamed(missing, "license"))
    return chosen


def _found(session: Session, desk: Desk, staff_id: int) -> StaffMember:
    member = staff.member_of(session, staff_id)
    if member is None or member.practice_id != desk.practice_id:
        raise NotFound(gettext("there is nobody with the number {number}", number=staff_id))
    return member


def _runs_practice(member: StaffMember) -> bool:
    return member.state == "active" and Role.ADMINISTRATOR in member.roles


def _keep_an_administrator(session: Session, desk: Desk, *, without: int) -> None:
    everybody = staff.members(session, desk.practice_id)
    runs_it = [each.id for each in everybody if _runs_practice(each)]
    if runs_it == [without]:
        raise StateError(gettext("nobody would be left to run the practice; make somebody else administrator first"))
