"""What can be wrong with an installation: each check gives findings, with what to do about them."""

from __future__ import annotations

import os
import stat
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from pathlib import Path

from reminders import words
from reminders.assembly import App
from reminders.clock import zone_data_version
from reminders.config import find_config
from reminders.delivery.outgoing import Capabilities
from reminders.delivery.watch import STALLED_AFTER
from reminders.desk.stall import find_stall
from reminders.errors import ConfigError, PlanError
from reminders.records.approvals import approved_hashes
from reminders.records.counts import Backlog, backlog, running_contents
from reminders.records.engines import parse_url
from reminders.records.migrations import NEWEST_VERSION
from reminders.wording.languages import TranslationStatus

_LATE = STALLED_AFTER
"""A message this long past its moment should have gone."""
_LATELY = timedelta(days=1)


class Grade(StrEnum):
    """How a check ended."""

    FINE = "fine"
    NOTE = "note"  # worth knowing; nothing stops
    WRONG = "wrong"  # something does not work, or will not


@dataclass(frozen=True, kw_only=True)
class Finding:
    """What one check found."""

    about: str
    grade: Grade
    says: str
    advice: str = ""


def all_findings(config: Path | None, build: Callable[[Path | None], App]) -> Iterator[Finding]:
    """Yield what every check finds; those that need what is broken are left out."""
    try:
        app = build(config)
    except ConfigError as error:
        yield _wrong("configuration", str(error), "correct the file, or run `reminders init` to make one")
        return
    path = find_config(config)
    yield _fine("configuration", f"{path} is sound; practice {app.config.practice.id}: {app.config.practice.name}")
    if path is not None:
        yield from _private("configuration file", path)
    if app.config.demo:
        yield _note("demo mode", "plans need no approval and drafts may be sent", "never with real patients")
    if words.is_draft(words.language()):
        said = f"the strings in {words.language()!r} are a draft that no qualified translator has read"
        yield _note("staff language", said, "set practice.staff_language, or have the catalog read")
    yield _fine("time zones", f"rules {zone_data_version()} (tzdata package); the practice is in {app.config.zone.key}")
    yield from _plans(app)
    yield from _transports(app)
    yield from _database(app)


def _database(app: App) -> Iterator[Finding]:
    url = parse_url(app.config.database_url)
    try:
        app.require_practice()
    except ConfigError as error:
        yield _wrong("database", str(error))
        return
    try:
        yield _fine("database", f"{url.get_backend_name()}, schema {NEWEST_VERSION}, the newest")
        if url.get_backend_name() == "sqlite":
            yield from _private("database file", Path(str(url.database)))
        yield from _approvals(app)
        yield from _waiting(app)
    finally:
        app.database.close()


def _private(about: str, path: Path) -> Iterator[Finding]:
    """Check that a file is its owner's only; Windows has no such modes."""
    if sys.platform == "win32":
        return
    mode = stat.S_IMODE(path.stat().st_mode)
    if mode & 0o077:
        yield _wrong(about, f"{path} has mode {mode:04o}: others may read it", f"chmod 600 {path}")
    else:
        yield _fine(about, f"{path} is its owner's only")


def _plans(app: App) -> Iterator[Finding]:
    names = app.library.names()
    if not names:
        yield _wrong("procedures", f"no procedure in {app.config.templates_folder}", "correct `templates`")
    for name in names:
        try:
            ready = app.library.get(name)
        except PlanError as error:
            yield _wrong(f"procedure {name}", str(error), "correct the lines named")
            continue
        statuses = {code: ready.wording.translation_status(code) for code in ready.plan.file.languages}
        said = ", ".join(f"{code} {status}" for code, status in statuses.items())
        yield _fine(f"procedure {name}", f"version {ready.plan.file.version}, every text is sound; {said}")
        if drafts := [code for code, status in statuses.items() if status is TranslationStatus.DRAFT]:
            advice = "have a qualified translator read them, then name the translator in language.toml"
            yield _note(f"procedure {name}", f"draft translations, not sent: {', '.join(drafts)}", advice)


def _approvals(app: App) -> Iterator[Finding]:
    practice_id = app.config.practice.id
    with app.database.reading() as session:
        approved = approved_hashes(session, practice_id)
        running = running_contents(session, practice_id)
    for name in app.library.names():
        try:
            ready = app.library.get(name)
        except PlanError:
            continue
        if ready.content_hash in approved:
            yield _fine(f"approval of {name}", "approved as it is now")
        else:
            advice = f"reminders approve {name} --by NAME --license NUMBER"
            yield _note(f"approval of {name}", "nobody approved it as it is now: nobody can be enrolled", advice)
    withheld = sum(count for content, count in running.items() if content not in approved)
    if withheld and not app.config.demo:
        yield _wrong(
            "running courses",
            f"{withheld} began with a plan that nobody approved: their messages are withheld",
            "cancel them, approve the plan, and enroll the patients anew",
        )


def _transports(app: App) -> Iterator[Finding]:
    try:
        transports = app.transports()
    except ConfigError as error:
        yield _wrong("transports", str(error), "correct [delivery] in the configuration")
        return
    for transport in dict.fromkeys(transports.values()):
        channels = ", ".join(channel for channel, used in transports.items() if used is transport)
        yield _fine(f"transport for {channels}", f"{transport.name}; {_abilities(transport.capabilities)}")
        if transport.name == "file":
            advice = "for trial only; choose another transport in [delivery] before real patients"
            yield _note(f"transport for {channels}", f"writes to {app.config.outbox_folder}, sends nothing", advice)
        transport.close()
    if not app.config.practice.email:
        yield _note("e-mail", "practice.email is empty: no e-mail can be sent", "set it if patients choose e-mail")
    if app.config.outbox_folder.is_dir() and not os.access(app.config.outbox_folder, os.W_OK):
        yield _wrong("outbox", f"{app.config.outbox_folder} can't be written", "correct its owner or its mode")


def _abilities(can: Capabilities) -> str:
    abilities = {
        "tells what was delivered": can.receipts,
        "drops a message that comes twice": can.idempotency_key,
        "can be asked what went out": can.status_query,
    }
    said = "; ".join(f"{what}: {'yes' if does else 'no'}" for what, does in abilities.items())
    return f"{can.batch_size} messages at once; {said}"


def _waiting(app: App) -> Iterator[Finding]:
    now = app.clock.now()
    with app.database.reading() as session:
        found = backlog(session, app.config.practice.id, now=now, late_before=now - _LATE, since=now - _LATELY)
    stall = find_stall(app.database, app.config.practice.id, now)
    if stall is not None:
        seen = f"last went round {stall.last_beat:%Y-%m-%d %H:%M} UTC" if stall.last_beat else "never went round"
        yield _wrong(
            "dispatching",
            f"it {seen}, and {found.late} messages are more than {_LATE.seconds // 60} min late",
            "is `reminders run` running? Start it; its output says what stops it",
        )
    elif found.late:
        yield _note("messages", f"{found.late} wait although dispatching goes round", "its output says what for")
    else:
        yield _fine("messages", f"{found.scheduled} wait for their moment, {found.due} are due now")
    yield from _for_people(found)


def _for_people(found: Backlog) -> Iterator[Finding]:
    if found.uncertain:
        advice = "ask the patients; reminders messages --state uncertain"
        yield _note("messages", f"{found.uncertain} may or may not have gone out", advice)
    if found.failed_lately:
        advice = "reminders messages --state failed"
        yield _note("messages", f"{found.failed_lately} were refused in the last 24 h", advice)
    if found.overdue_concerns:
        yield _wrong(
            "concerns", f"{found.overdue_concerns} of {found.open_concerns} are overdue", "call: reminders concerns"
        )
    else:
        yield _fine("concerns", f"{found.open_concerns} open, none overdue")


def _fine(about: str, says: str) -> Finding:
    return Finding(about=about, grade=Grade.FINE, says=says)


def _note(about: str, says: str, advice: str) -> Finding:
    return Finding(about=about, grade=Grade.NOTE, says=says, advice=advice)


def _wrong(about: str, says: str, advice: str = "") -> Finding:
    return Finding(about=about, grade=Grade.WRONG, says=says, advice=advice)
