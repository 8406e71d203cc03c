"""Knows which replies may be brought again, since whoever brought them may not have heard that we have them.

Until it surely has, a reply is known by a name made of what was brought; then the name is taken away, so that the same
words are a new reply.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Collection
from datetime import datetime

from sqlalchemy import update
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

import reminders.records.tables  # noqa: F401  it fills the metadata, whoever comes first

_REPLIES = SQLModel.metadata.tables["reply"]
_MARK = "unheard-"


def unheard_ref(key: bytes, offer: bytes) -> str:
    """Return the name of a reply by all that was brought of it; without the key nobody can try words against it."""
    return _MARK + hmac.new(key, offer, hashlib.sha256).hexdigest()


def note_heard(session: Session, practice_id: str, refs: Collection[str]) -> None:
    """Take the names of these replies away: what comes under them from now on was written anew."""
    statement = (
        update(_REPLIES)
        .where(_REPLIES.c.practice_id == practice_id, _REPLIES.c.channel == "sms", _REPLIES.c.gateway_ref.in_(refs))
        .values(gateway_ref=None)
    )
    session.connection().execute(statement)


def forget_unheard_before(session: Session, practice_id: str, moment: datetime) -> None:
    """Take the names of all replies away that came before a moment: nobody brings them again any more."""
    statement = (
        update(_REPLIES)
        .where(
            _REPLIES.c.practice_id == practice_id,
            _REPLIES.c.channel == "sms",
            _REPLIES.c.gateway_ref.is_not(None),  # by the index; a message centre's replies have no other name
            _REPLIES.c.gateway_ref.startswith(_MARK),
            _REPLIES.c.received_at < moment,
        )
        .values(gateway_ref=None)
    )
    session.connection().execute(statement)
