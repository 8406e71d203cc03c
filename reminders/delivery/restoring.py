"""Puts a copy of the database back so that nothing is sent from it before what it can't know is settled."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from reminders.delivery.after_restore import Gap, GapReport, WaysOut, settle_gap
from reminders.errors import InputError
from reminders.records import backup_postgresql, backup_sqlite
from reminders.records.audit import PROGRAM, Noted, Who, note
from reminders.records.backup import Manifest, is_empty, read_manifest, rename_installation
from reminders.records.database import open_database, shown
from reminders.records.engines import parse_url
from reminders.records.keyring import Keyring
from reminders.records.migrations import NEWEST_VERSION
from reminders.records.schema import migrate
from reminders.sentences import english


@dataclass(frozen=True, kw_only=True)
class RestoreRules:
    """How to settle what the copy can't know."""

    ways: Callable[[], WaysOut]
    """Opens the transports that may be asked; they are closed afterwards."""
    concern_due: Callable[[str, datetime], datetime]
    now: datetime
    keyring: Keyring
    """The keys that the copy was sealed with must be among these."""
    ran_until: datetime | None = None
    """Until when the lost database may have been sent from; None: until now."""
    by: Who = PROGRAM
    """Who restores, as the audit trail names them."""
    replace: bool = False
    """Whether a database that is there already may give way."""


@dataclass(frozen=True, kw_only=True)
class Restored:
    """What was put back."""

    manifest: Manifest
    gap: Gap
    report: GapReport
    kept: Path | None
    """Where the SQLite file that was there before lies now."""


def restore(url: str, source: Path, rules: RestoreRules) -> Restored:
    """Put a copy back, all or nothing; raises InputError and ConfigError, and then the database is as it was.

    The copy is checked in full first. The database gets a new name, as messages that are enrolled from now on get the
    numbers of lost ones, and a gateway would take them for the same.
    """
    parsed = parse_url(url)
    manifest = read_manifest(source)
    if manifest.kind != parsed.get_backend_name():
        raise InputError(
            english("{file} is a copy of a {kind} database, and `database` is {database}").format(
                file=source, kind=manifest.kind, database=shown(parsed)
            )
        )
    if not rules.replace and not is_empty(parsed):
        raise InputError(
            english("{database} is there already; say --replace to let the copy take its place").format(
                database=shown(parsed)
            )
        )
    if manifest.key and manifest.key not in {key.id for key in rules.keyring.keys}:
        raise InputError(
            english("{file} is sealed with key {key}, which is not among yours; put it back there first").format(
                file=source, key=manifest.key
            )
        )
    gap = Gap(taken_at=manifest.taken_at, ran_until=rules.ran_until or rules.now, now=rules.now)
    put_back = _on_sqlite if manifest.kind == "sqlite" else _on_postgresql
    report, kept = put_back(url, source, manifest, (gap, rules))
    return Restored(manifest=manifest, gap=gap, report=report, kept=kept)


def _on_sqlite(
    url: str, source: Path, manifest: Manifest, how: tuple[Gap, RestoreRules]
) -> tuple[GapReport, Path | None]:
    parsed = parse_url(url)
    draft = backup_sqlite.lay_beside(source, parsed, manifest.rows)
    try:
        beside = f"sqlite:///{draft}"
        migrate(beside, how[1].keyring)
        report = _settled(beside, *how)
        return report, backup_sqlite.put_in_place(draft, parsed, aside=f"before-{how[0].now:%Y%m%dT%H%M%SZ}")
    finally:
        draft.unlink(missing_ok=True)


def _on_postgresql(
    url: str, source: Path, manifest: Manifest, how: tuple[Gap, RestoreRules]
) -> tuple[GapReport, Path | None]:
    parsed = parse_url(url)
    if manifest.schema != NEWEST_VERSION and not is_empty(parsed):
        # its tools drop what the copy knows of, and newer tables refer to that
        raise InputError(
            english(
                "{file} is of an older program: it comes back into an empty database only; make one and name it "
                "as `database`"
            ).format(file=source)
        )
    backup_postgresql.put_back(source, parsed, manifest.rows)
    if manifest.schema != NEWEST_VERSION:
        backup_postgresql.write_version(parsed, manifest.schema)
        migrate(url, how[1].keyring)
        return _settled(url, *how), None
    report = _settled(url, *how)
    backup_postgresql.write_version(parsed, manifest.schema)
    return report, None


def _noted(practice_id: str, gap: Gap) -> Noted:
    """Return the entry from which the chain goes on; anchors that were taken after the copy fit no more."""
    taken = {"taken_at": gap.taken_at.isoformat(), "ran_until": gap.ran_until.isoformat()}
    return Noted(practice_id=practice_id, at=gap.now, action="backup.restore", details=taken)


def _settled(url: str, gap: Gap, rules: RestoreRules) -> GapReport:
    database = open_database(url, rules.keyring, was_restored=True)
    ways = rules.ways()
    try:
        report = settle_gap(database, ways, gap, concern_due=rules.concern_due)
        with database.writing(by=rules.by) as session:
            rename_installation(session, secrets.token_hex(6))
            note(session, _noted(ways.practice_id, gap))
    finally:
        for transport in set(ways.transports.values()):
            transport.close()
        database.close()
    return report
