"""Give other programs keys with as few rights as they need, tell who calls, and take keys back at once."""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from types import MappingProxyType

from sqlalchemy.orm import Session

from reminders.desk.blamed import blame
from reminders.desk.composing import Desk
from reminders.desk.contact_details import parse_name
from reminders.desk.trail import Action, note_change
from reminders.errors import InputError, NotFound
from reminders.records import api_keys as rows
from reminders.records import staff
from reminders.records.people import new_id
from reminders.records.tables_api import ApiKey
from reminders.words import gettext, marked

BEGINNING = "reminders"
"""What every key begins with, so that programs that look for leaked secrets know one."""
_KEY = re.compile(rf"{BEGINNING}_([a-z2-7]{{10}})_([A-Za-z0-9_-]{{43}})")
_LETTERS = "abcdefghijklmnopqrstuvwxyz234567"


class Scope(StrEnum):
    """What a key may do."""

    ENROLL = "enroll"
    COURSES_READ = "courses:read"
    COURSES_WRITE = "courses:write"
    MESSAGES_READ = "messages:read"
    RECORDS_READ = "records:read"
    REPLIES_WRITE = "replies:write"
    CONCERNS_READ = "concerns:read"
    CONCERNS_WRITE = "concerns:write"
    CONSENTS_READ = "consents:read"
    CONSENTS_WRITE = "consents:write"


ALLOWS: Mapping[Scope, str] = MappingProxyType(
    {
        Scope.ENROLL: marked("enroll patients, and see what would be sent"),
        Scope.COURSES_READ: marked("see a course: its patient's name, facts and plan"),
        Scope.COURSES_WRITE: marked("change a course's facts, after a look at the difference, and cancel it"),
        Scope.MESSAGES_READ: marked("see what is sent to whom, and what became of it"),
        Scope.RECORDS_READ: marked("see chart records, with everything that patients wrote"),
        Scope.REPLIES_WRITE: marked("bring what patients wrote"),
        Scope.CONCERNS_READ: marked("see concerns, with the patients' words"),
        Scope.CONCERNS_WRITE: marked("take, note, hand over, close and reopen a concern, and see that one"),
        Scope.CONSENTS_READ: marked("see a patient's addresses and the history of their consent"),
        Scope.CONSENTS_WRITE: marked("record that a patient agrees or wants no more, and see that patient's consent"),
    }
)
"""What each scope allows, in words."""


class KeyState(StrEnum):
    """Whether a key holds."""

    ACTIVE = marked("active")
    EXPIRED = marked("expired")
    REVOKED = marked("revoked")


@dataclass(frozen=True, kw_only=True)
class NewKey:
    """A key to be made: nothing is checked yet."""

    name: str
    scopes: tuple[str, ...]
    expires_at: datetime | None = None
    made_by: str


@dataclass(frozen=True, kw_only=True)
class KeyHolder:
    """A program that calls, and what it may do."""

    key_id: int
    name: str
    state: KeyState
    scopes: frozenset[Scope]
    noted_today: bool
    """Whether it was noted already that it called today."""


def add_key(session: Session, desk: Desk, wanted: NewKey) -> str:
    """Make a key and return it: this is the one time that it can be seen. InputError names every problem."""
    problems: list[str] = []
    now = desk.clock.now()
    name = ""
    scopes: tuple[Scope, ...] = ()
    try:
        name = _name(session, desk, wanted.name)
    except InputError as error:
        problems += blame("name", error.problems)
    try:
        scopes = _scopes(wanted.scopes)
    except InputError as error:
        problems += blame("scopes", error.problems)
    if wanted.expires_at is not None and wanted.expires_at <= now:
        problems += blame("expires", [gettext("the key would have expired already; name a later moment")])
    if problems:
        raise InputError(*problems)
    prefix = "".join(secrets.choice(_LETTERS) for _ in range(10))
    secret = secrets.token_urlsafe(32)
    rows.add_key(
        session,
        ApiKey(
            practice_id=desk.practice_id,
            name=name,
            prefix=prefix,
            secret_hash=_hash(secret),
            scopes=[str(each) for each in scopes],
            created_by=wanted.made_by,
            created_at=now,
            expires_at=wanted.expires_at,
        ),
    )
    note_change(session, desk, Action.KEY_ADD, (None, f"key {prefix}"), details={"scopes": list(scopes)})
    return f"{BEGINNING}_{prefix}_{secret}"


def list_keys(session: Session, desk: Desk) -> tuple[tuple[ApiKey, KeyState], ...]:
    """Return every key, the oldest first, with whether it holds."""
    now = desk.clock.now()
    return tuple((each, _state(each, now)) for each in rows.keys_of(session, desk.practice_id))


def revoke_key(session: Session, desk: Desk, name: str) -> None:
    """Let a key hold no more, from the next call on; its name stays in the histories. NotFound when none holds."""
    if not rows.revoke(session, desk.practice_id, name.strip(), desk.clock.now()):
        raise NotFound(gettext("there is no key of this name that holds; `reminders api-keys` lists them"))
    prefixes = [key.prefix for key in rows.keys_of(session, desk.practice_id) if key.name == name.strip()]
    note_change(session, desk, Action.KEY_REVOKE, (None, f"key {', '.join(prefixes)}"))


def holder_of(session: Session, desk: Desk, key: str) -> KeyHolder | None:
    """Return whose key this is, also when it holds no more; None for whatever is no key of ours."""
    parts = _KEY.fullmatch(key)
    if parts is None:
        return None
    found = rows.key_by_prefix(session, desk.practice_id, parts[1])
    # Without a row something is compared all the same: how long it takes tells nothing of which prefixes there are.
    kept = found.secret_hash if found else _hash("")
    if not hmac.compare_digest(_hash(parts[2]), kept) or found is None:
        return None
    now = desk.clock.now()
    return KeyHolder(
        key_id=new_id(found.id),
        name=found.name,
        state=_state(found, now),
        scopes=frozenset(Scope(each) for each in found.scopes if each in set(Scope)),
        noted_today=found.last_used_on == now.date(),
    )


def note_use(session: Session, desk: Desk, holder: KeyHolder) -> None:
    """Note the day on which a key was used: enough to find keys that nobody needs, and a write a day."""
    rows.note_use(session, holder.key_id, desk.clock.now().date())


def _hash(secret: str) -> str:
    """Return what is kept of a secret of 256 random bits: nobody finds it by guessing, so a slow hash adds nothing."""
    return hashlib.sha256(secret.encode()).hexdigest()


def _state(key: ApiKey, now: datetime) -> KeyState:
    if key.revoked_at is not None:
        return KeyState.REVOKED
    return KeyState.EXPIRED if key.expires_at is not None and key.expires_at <= now else KeyState.ACTIVE


def _name(session: Session, desk: Desk, text: str) -> str:
    name = parse_name(text, what=marked("name"))
    if not name:
        raise InputError(gettext("the name is missing"))
    if rows.has_key_named(session, desk.practice_id, name) or staff.is_taken(
        session, desk.practice_id, login="", name=name
    ):
        raise InputError(gettext("somebody here or another key has this name; histories must tell them apart"))
    return name


def _scopes(given: Iterable[str]) -> tuple[Scope, ...]:
    chosen = sorted({text.strip() for text in given})
    if not chosen:
        raise InputError(gettext("choose at least one scope; there are {known}", known=", ".join(Scope)))
    if unknown := [each for each in chosen if each not in set(Scope)]:
        raise InputError(
            gettext("no scope {unknown}; there are {known}", unknown=", ".join(unknown), known=", ".join(Scope))
        )
    return tuple(Scope(each) for each in chosen)
