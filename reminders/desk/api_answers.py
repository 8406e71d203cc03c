"""Forget what calls of other programs were answered, once nobody repeats them any more."""

from __future__ import annotations

from datetime import timedelta

from reminders.desk.composing import Desk
from reminders.records.api_answers import forget_before
from reminders.records.database import Database

KEPT = timedelta(hours=48)
"""A program that was away over a day may still repeat its last call; the answers hold patients' data, so not longer."""


def forget_answers(database: Database, desk: Desk) -> int:
    """Forget answers older than `KEPT`, of every practice in the database; returns how many there were."""
    with database.writing() as session:
        return forget_before(session, desk.clock.now() - KEPT)
