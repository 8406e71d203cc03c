"""Delete what was kept long enough, a little at a time, and tell the audit trail of each step.

Periods count from when something was last in effect, as 45 CFR 164.316(b)(2)(i) has it (from memory): a course's from
the last thing that happened in it. Each step is a transaction of its own, so whoever breaks it off starts it again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from reminders.desk.composing import Desk
from reminders.desk.trail import Action, note_change
from reminders.records.audit_purge import audit_due, purge_audit
from reminders.records.database import Database
from reminders.records.done_once import is_first_time
from reminders.records.freed_pages import overwrite_what_is_freed, settle_files
from reminders.records.purging import DOCUMENTATION, PASSING, TEXTS, Due, Kind, count_due, remove_some

_AT_ONCE = 50
_AUDIT_AT_ONCE = 5000
_PASSING_KEPT = timedelta(days=30)
AUDIT = "audit entries"

Tell = Callable[[str, int], None]
"""Is given the kind, and how many of it went so far."""


@dataclass(frozen=True, kw_only=True)
class RetentionRules:
    """How long things are kept."""

    documentation_years: int = 6
    texts: timedelta | None = None
    """None: as long as the documentation."""
    audit_years: int = 6

    def documentation_before(self, now: datetime) -> datetime:
        """Return the moment before which documentation is over."""
        return years_before(now, self.documentation_years)

    def audit_before(self, now: datetime) -> datetime:
        """Return the same for entries of the audit trail, which outlast what they tell of."""
        return years_before(now, max(self.audit_years, self.documentation_years))


@dataclass(frozen=True, kw_only=True)
class ToGo:
    """What of a kind is over."""

    kind: str
    before: datetime
    due: Due


def years_before(now: datetime, years: int) -> datetime:
    """Return the same moment so many years ago; of 29 February the 28th, so that nothing goes a day too soon."""
    try:
        return now.replace(year=now.year - years)
    except ValueError:
        return now.replace(year=now.year - years, month=3, day=1) - timedelta(days=1)


def what_would_go(database: Database, desk: Desk, rules: RetentionRules) -> tuple[ToGo, ...]:
    """Return what a purge would delete now, kind by kind; a patient goes after their courses, and is counted then."""
    with database.reading() as session:
        found = [
            ToGo(kind=kind.name, before=before, due=count_due(session, kind, desk.practice_id, before))
            for kind, before in _kinds(desk, rules)
        ]
        before = rules.audit_before(desk.clock.now())
        return (*found, ToGo(kind=AUDIT, before=before, due=audit_due(session, desk.practice_id, before)))


def purge(
    database: Database, desk: Desk, rules: RetentionRules, *, tell: Tell = lambda _kind, _count: None
) -> dict[str, int]:
    """Delete what is over; return how much of each kind went. Safe to break off and to run twice at once."""
    gone: dict[str, int] = {}
    for kind, before in _kinds(desk, rules):
        while count := _step(database, desk, kind, before):
            gone[kind.name] = gone.get(kind.name, 0) + count
            tell(kind.name, gone[kind.name])
            if count < _AT_ONCE:
                break
    before = rules.audit_before(desk.clock.now())
    while count := _audit_step(database, desk, before):
        gone[AUDIT] = gone.get(AUDIT, 0) + count
        tell(AUDIT, gone[AUDIT])
    if gone:
        settle_files(database)
    return gone


def purge_daily(database: Database, desk: Desk, rules: RetentionRules) -> dict[str, int]:
    """Purge if nobody did today; nothing when somebody did."""
    now = desk.clock.now()
    with database.writing() as session:
        if not is_first_time(session, desk.practice_id, f"purge {now.astimezone(desk.zone):%Y-%m-%d}", now):
            return {}
    return purge(database, desk, rules)


def _kinds(desk: Desk, rules: RetentionRules) -> Iterator[tuple[Kind, datetime]]:
    now = desk.clock.now()
    if rules.texts is not None:
        yield from ((kind, now - rules.texts) for kind in TEXTS)
    yield from ((kind, rules.documentation_before(now)) for kind in DOCUMENTATION)
    yield from ((kind, now - _PASSING_KEPT) for kind in PASSING)


def _step(database: Database, desk: Desk, kind: Kind, before: datetime) -> int:
    with database.writing() as session:
        overwrite_what_is_freed(session)
        count = remove_some(session, kind, desk.practice_id, before, limit=_AT_ONCE)
        if count:
            details = {"kind": kind.name, "count": count, "before": before.isoformat()}
            note_change(session, desk, Action.PURGE, (None, ""), details)
    return count


def _audit_step(database: Database, desk: Desk, before: datetime) -> int:
    with database.writing() as session:
        overwrite_what_is_freed(session)
        gone = purge_audit(session, desk.practice_id, before, limit=_AUDIT_AT_ONCE)
        if gone is None:
            return 0
        details = {"through": gone.through, "hash": gone.hash, "count": gone.count}
        note_change(session, desk, Action.AUDIT_PURGE, (None, ""), details)
    return gone.count
