"""The difference that a person looked at, as the form that stores it says again what they saw."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import UTC, datetime

from reminders.desk.course_difference import Change
from reminders.errors import InputError
from reminders.words import gettext


def write_shown(changes: tuple[Change, ...]) -> str:
    """Return a difference as a form carries it, from the page that showed it to the one that stores it."""
    return json.dumps([asdict(each) for each in changes], default=lambda at: at.isoformat())


def read_shown(text: str) -> tuple[Change, ...]:
    """Return the difference that a form carries; raises InputError for what no page of ours wrote."""

    def at(moment: str | None) -> datetime | None:
        return datetime.fromisoformat(moment).astimezone(UTC) if moment else None

    try:
        return tuple(
            Change(**{**each, "before_at": at(each["before_at"]), "after_at": at(each["after_at"])})
            for each in json.loads(text)
        )
    except (ValueError, TypeError, KeyError, OverflowError, RecursionError):
        raise InputError(gettext("look at the difference again")) from None
