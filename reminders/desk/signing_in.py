"""Sign in and out: password, second factor, the rest after failures, and the end of a sign-in that lies idle."""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.desk.one_time_codes import step_of
from reminders.desk.passwords import is_password
from reminders.desk.roles import Right, rights_of
from reminders.desk.staff import hash_token
from reminders.desk.trail import Action, note_attempt, note_change
from reminders.errors import InputError
from reminders.records import staff
from reminders.records.audit import FAILED, Who
from reminders.records.database import Database
from reminders.records.people import new_id
from reminders.records.tables_staff import KeptForm, StaffMember, StaffSession
from reminders.words import gettext, marked

FREE_TRIES = 5
"""Failures in a row before an account rests: a minute at first, twice as long each time, an hour at most.

NIST SP 800-63B-4 section 3.2.2 asks for a limit of 100; resting never locks a nurse out for good.
"""
_LONGEST_REST = timedelta(hours=1)
_SEEN_EVERY = timedelta(seconds=30)
_FORM_KEPT = timedelta(hours=12)
NO_MATCH = marked(
    "That did not match. After five tries in a row an account rests: a minute at first, an hour at most. "
    "Whoever runs this program here can give you a new link."
)


@dataclass(frozen=True, kw_only=True)
class Limits:
    """How long a sign-in lasts."""

    idle: timedelta
    longest: timedelta


@dataclass(frozen=True, kw_only=True)
class Tried:
    """What somebody typed to sign in."""

    login: str
    password: str
    code: str = ""
    """Of the second factor; empty when it was not asked for yet."""


class CodeNeeded(InputError):
    """The password is right, and the account has a second factor."""


@dataclass(frozen=True, kw_only=True)
class SignedIn:
    """Somebody who is signed in."""

    staff_id: int
    practice_id: str
    name: str
    login: str
    license: str
    roles: tuple[str, ...]
    rights: frozenset[Right]
    csrf: str
    token_hash: str
    seen_at: datetime
    """When it was noted last that they are there."""
    is_idle: bool
    """Nothing was done for too long: they may see nothing until they sign in again."""
    has_second_factor: bool

    def may(self, right: Right | str) -> bool:
        """Say whether they have a right."""
        return right in self.rights


def sign_in(database: Database, desk: Desk, tried: Tried, limits: Limits) -> str:
    """Return the token of a new sign-in; InputError, always the same, when anything does not match.

    CodeNeeded when only the code of the second factor is missing. Each try counts as failed until it succeeds, so
    that many at once win nothing. The audit trail holds each: a failed one of a login that nobody has names nobody.
    """
    login, clock = tried.login.strip().lower(), desk.clock
    with database.writing() as session:
        member = staff.member_by_login(session, desk.practice_id, login)
        resting = member is None or not may_try(session, desk, member)
    # Hashing takes long: no transaction is open meanwhile.
    kept = member.password_hash if member is not None and member.state == "active" else None
    fits = is_password(tried.password, kept)
    if member is None or resting or not fits:
        _note_failure(database, desk, member)
        raise InputError(gettext(NO_MATCH))
    who = Who("staff", str(member.id))
    try:
        with database.writing(by=who) as session:
            if member.totp_secret is not None:
                _check_code(session, member, tried.code, clock.now())
            staff.set_member(session, new_id(member.id), failures=0, locked_until=None)
            note_change(session, desk, Action.SIGN_IN, (None, f"staff {member.id}"))
            return _begin(session, member, clock.now(), limits)
    except CodeNeeded:
        raise
    except InputError:
        _note_failure(database, desk, member)
        raise


def sign_in_invited(session: Session, staff_id: int, now: datetime, limits: Limits) -> str:
    """Return the token of a sign-in for somebody who just chose a password by their link."""
    member = staff.member_of(session, staff_id)
    if member is None:
        raise InputError(gettext(NO_MATCH))
    return _begin(session, member, now, limits)


def signed_in(session: Session, token: str, now: datetime, limits: Limits) -> SignedIn | None:
    """Return who a token belongs to; None when it holds no more."""
    hashed = hash_token(token)
    found = staff.session_of(session, hashed)
    if found is None:
        return None
    row, member = found
    if member.state != "active" or now >= row.ends_at:
        return None
    return SignedIn(
        staff_id=row.staff_id,
        practice_id=member.practice_id,
        name=member.name,
        login=member.login,
        license=member.license,
        roles=tuple(member.roles),
        rights=rights_of(member.roles),
        csrf=row.csrf,
        token_hash=hashed,
        seen_at=row.seen_at,
        is_idle=now - row.seen_at >= limits.idle,
        has_second_factor=member.totp_secret is not None,
    )


def note_presence(database: Database, who: SignedIn, now: datetime) -> None:
    """Note that somebody is still there; at most every half minute, as this writes."""
    if now - who.seen_at >= _SEEN_EVERY:
        with database.writing() as session:
            staff.touch_session(session, who.token_hash, now)


def sign_out(session: Session, desk: Desk, who: SignedIn) -> None:
    """End this sign-in."""
    staff.end_sessions(session, who.staff_id, only=who.token_hash)
    note_change(session, desk, Action.SIGN_OUT, (None, f"staff {who.staff_id}"))


def may_try(session: Session, desk: Desk, member: StaffMember) -> bool:
    """Count one more try at a password, as failed until somebody says otherwise; False while the account rests."""
    now = desk.clock.now()
    if member.locked_until is not None and now < member.locked_until:
        return False
    failures = staff.count_failure(session, new_id(member.id))
    if failures >= FREE_TRIES:
        rest = min(timedelta(minutes=1) * 2 ** min(failures - FREE_TRIES, 10), _LONGEST_REST)
        staff.set_member(session, new_id(member.id), locked_until=now + rest)
        about, minutes = f"staff {member.id}", rest // timedelta(minutes=1)
        note_change(session, desk, Action.SIGN_LOCKED, (None, about), details={"minutes": minutes})
    return True


def is_form_of(who: SignedIn, csrf: str) -> bool:
    """Say whether a form came from a page of this sign-in."""
    return hmac.compare_digest(who.csrf.encode(), csrf.encode())


def keep_form(session: Session, who: SignedIn, path: str, fields: Sequence[tuple[str, str]], now: datetime) -> None:
    """Keep what somebody sent when their sign-in had run out."""
    kept = [[name, value] for name, value in fields if name != "csrf"]
    form = KeptForm(staff_id=who.staff_id, practice_id=who.practice_id, path=path, fields=kept, kept_at=now)
    staff.keep_form(session, form)


def form_kept_for(session: Session, who: SignedIn, now: datetime) -> tuple[str, list[tuple[str, str]]] | None:
    """Return where a kept form was sent to and its fields; None when nothing is kept or it is too old."""
    kept = staff.kept_form(session, who.staff_id)
    if kept is None or now - kept.kept_at > _FORM_KEPT:
        return None
    return kept.path, [(name, value) for name, value in kept.fields]


def _note_failure(database: Database, desk: Desk, member: StaffMember | None) -> None:
    about = f"staff {member.id}" if member is not None else ""
    with database.writing(by=Who("staff")) as session:
        note_attempt(session, desk, Action.SIGN_IN, outcome=FAILED, whose=(None, about))


def _check_code(session: Session, member: StaffMember, code: str, now: datetime) -> None:
    if not code.strip():
        raise CodeNeeded(gettext("Type the password again, and the code that your authenticator shows now."))
    step = step_of(member.totp_secret or "", code, now)
    if step is None or not staff.use_step(session, new_id(member.id), step):
        raise InputError(gettext(NO_MATCH))


def _begin(session: Session, member: StaffMember, now: datetime, limits: Limits) -> str:
    token = secrets.token_urlsafe(32)
    row = StaffSession(
        token_hash=hash_token(token),
        practice_id=member.practice_id,
        staff_id=new_id(member.id),
        csrf=secrets.token_urlsafe(24),
        started_at=now,
        seen_at=now,
        ends_at=now + limits.longest,
    )
    staff.add_session(session, row)
    return token
