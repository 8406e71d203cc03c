"""What somebody changes about their own sign-in: password and second factor."""

from __future__ import annotations

from reminders.desk.blamed import Blamed
from reminders.desk.composing import Desk
from reminders.desk.one_time_codes import is_secret, new_secret, step_of
from reminders.desk.passwords import hash_password, is_password
from reminders.desk.signing_in import NO_MATCH, SignedIn, may_try
from reminders.desk.trail import Action, note_change
from reminders.errors import InputError
from reminders.records import staff
from reminders.records.audit import Who
from reminders.records.database import Database
from reminders.words import gettext


def change_password(database: Database, desk: Desk, who: SignedIn, *, old: str, new: str) -> None:
    """Change the password and sign the person out of every other browser; InputError when one will not do."""
    _check(database, desk, who, old)
    hashed = hash_password(new, about=(who.login, *who.name.split()))
    with database.writing(by=_as(who)) as session:
        staff.set_member(session, who.staff_id, password_hash=hashed)
        staff.end_sessions(session, who.staff_id, but=who.token_hash)
        note_change(session, desk, Action.ACCOUNT_PASSWORD, (None, f"staff {who.staff_id}"))


def fresh_secret() -> str:
    """Return a secret to show to an authenticator; nothing is stored yet."""
    return new_secret()


def set_second_factor(database: Database, desk: Desk, who: SignedIn, secret: str, code: str) -> None:
    """Ask for codes of this secret from now on.

    InputError when the code does not prove that it was read, and when there is another secret already: taking that
    away asks for the password.
    """
    step = step_of(secret, code, desk.clock.now()) if is_secret(secret) else None
    if step is None:
        raise InputError(gettext("that is not the code that the authenticator shows for this secret now"))
    with database.writing(by=_as(who)) as session:
        member = staff.member_of(session, who.staff_id)
        if member is not None and member.totp_secret is not None:
            raise InputError(gettext("take the present second factor away first; that asks for your password"))
        staff.set_member(session, who.staff_id, totp_secret=secret, totp_step=step)
        note_change(session, desk, Action.ACCOUNT_FACTOR, (None, f"staff {who.staff_id}"))


def remove_second_factor(database: Database, desk: Desk, who: SignedIn, *, password: str) -> None:
    """Ask for no codes any more; InputError when the password is wrong."""
    _check(database, desk, who, password)
    with database.writing(by=_as(who)) as session:
        staff.set_member(session, who.staff_id, totp_secret=None)
        note_change(session, desk, Action.ACCOUNT_FACTOR_GONE, (None, f"staff {who.staff_id}"))


def _as(who: SignedIn) -> Who:
    return Who("staff", str(who.staff_id))


def _check(database: Database, desk: Desk, who: SignedIn, password: str) -> None:
    """Refuse who does not know the password; guessing it here makes the account rest as guessing it at the door."""
    with database.writing(by=_as(who)) as session:
        member = staff.member_of(session, who.staff_id)
        resting = member is None or not may_try(session, desk, member)
    if member is None or not is_password(password, None if resting else member.password_hash):
        raise InputError(Blamed(gettext(NO_MATCH), "old"))
    with database.writing(by=_as(who)) as session:
        staff.set_member(session, who.staff_id, failures=0, locked_until=None)
