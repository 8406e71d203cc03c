"""What can be wrong with an installation: each check gives findings, with what to do about them."""

from __future__ import annotations

import os
import stat
import sys
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from pathlib import Path
from shutil import disk_usage

from reminders import words
from reminders.assembly import App
from reminders.cli.emergency_numbers import calls_for_help, country_of
from reminders.cli.terminal import when
from reminders.clock import zone_data_version
from reminders.config import find_config
from reminders.config_hooks import RECEIPTS_PATH, REPLIES_PATH
from reminders.delivery.outgoing import Capabilities
from reminders.delivery.watch import STALLED_AFTER
from reminders.desk.settings import origins
from reminders.desk.stall import find_stall
from reminders.errors import ConfigError, PlanError
from reminders.records.approvals import approved_hashes
from reminders.records.counts import Backlog, backlog, running_contents
from reminders.records.engines import parse_url
from reminders.records.migrations import NEWEST_VERSION
from reminders.wording.languages import TranslationStatus
from reminders.words import gettext, marked

_LATE = STALLED_AFTER
"""A message this long past its moment should have gone."""
_LATELY = timedelta(days=1)
_MEGABYTE = 1_000_000
_LEAST_ROOM = 100
"""Megabytes; the log that SQLite writes before a busy file may take 64."""


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
        advice = gettext("correct the file, or run `reminders init` to make one")
        yield _wrong(gettext("configuration"), str(error), advice)
        return
    path = find_config(config)
    practice = app.config.practice
    says = gettext("{path} is sound; practice {id}: {name}", path=path, id=practice.id, name=practice.name)
    yield _fine(gettext("configuration"), says)
    if path is not None:
        yield from _private(gettext("configuration file"), path)
    if app.config.demo:
        says = gettext("plans need no approval and drafts may be sent")
        yield _note(gettext("demo mode"), says, gettext("never with real patients"))
    yield from _staff_language(app)
    version, zone = zone_data_version(), app.config.zone.key
    says = gettext("rules {version} (tzdata package); the practice is in {zone}", version=version, zone=zone)
    yield _fine(gettext("time zones"), says)
    yield from _emergency_number(app)
    yield from _plans(app)
    yield from _transports(app)
    yield from _hooks(app)
    yield from _room(app)
    yield from _database(app)


def _staff_language(app: App) -> Iterator[Finding]:
    """Look at what staff read, whatever language this very report is in: for programs it is English."""
    code = words.nearest(app.config.practice.staff_language) or words.of_environment()
    if words.is_draft(code):
        says = gettext("the strings in {code!r} are a draft that no qualified translator has read", code=code)
        yield _note(gettext("staff language"), says, gettext("set practice.staff_language, or have the catalog read"))


def _emergency_number(app: App) -> Iterator[Finding]:
    """See whether the number that patients are told to call in an emergency is one where the practice is."""
    number = app.config.practice.emergency_number
    country = country_of(app.config.zone.key, app.config.practice.region)
    if calls_for_help(number, country):
        return
    says = gettext(
        "patients are told to call {number}, no emergency number in {country}", number=number, country=country
    )
    yield _wrong(gettext("emergency number"), says, gettext("set practice.emergency_number"))


def _database(app: App) -> Iterator[Finding]:
    url = parse_url(app.config.database_url)
    try:
        app.require_practice()
    except ConfigError as error:
        yield _wrong(gettext("database"), str(error))
        return
    try:
        says = gettext("{kind}, schema {version}, the newest", kind=url.get_backend_name(), version=NEWEST_VERSION)
        yield _fine(gettext("database"), says)
        place, current = app.key_source.place, app.keyring.current.id
        yield _fine(gettext("sealing"), gettext("with key {key}, kept in {place}", key=current, place=place))
        yield from _changed_settings(app)
        yield from _approvals(app)
        yield from _waiting(app)
    finally:
        app.database.close()


def _room(app: App) -> Iterator[Finding]:
    """Look whether the disk has room; of a server's disk nothing is known here."""
    url = parse_url(app.config.database_url)
    if url.get_backend_name() != "sqlite":
        return
    folder = Path(str(url.database)).parent
    if not folder.is_dir():
        return  # told with the database
    free = disk_usage(folder).free // _MEGABYTE
    says = gettext("{count} MB are free in {folder}", count=free, folder=folder)
    if free < _LEAST_ROOM:
        yield _wrong(gettext("disk"), says, gettext("make room: on a full disk nothing is sent and nothing stored"))
    else:
        yield _fine(gettext("disk"), says)


def _changed_settings(app: App) -> Iterator[Finding]:
    with app.database.reading() as session:
        found = origins(session, app.config.practice.id)
    changed = [f"{name} ({each.by}, {when(each.at, app.config.zone)})" for name, each in found.items() if each.at]
    said = gettext("changed on the pages: {listed}; see `reminders settings show`", listed=", ".join(changed))
    yield _fine(gettext("settings"), said if changed else gettext("as the file says"))


def _private(about: str, path: Path) -> Iterator[Finding]:
    """Check that a file is its owner's only; Windows has no such modes."""
    if sys.platform == "win32":
        return
    mode = stat.S_IMODE(path.stat().st_mode)
    if mode & 0o077:
        says = gettext("{path} has mode {mode}: others may read it", path=path, mode=f"{mode:04o}")
        yield _wrong(about, says, f"chmod 600 {path}")
    else:
        yield _fine(about, gettext("{path} is its owner's only", path=path))


def _plans(app: App) -> Iterator[Finding]:
    names = app.library.names()
    if not names:
        says = gettext("no procedure in {folder}", folder=app.config.templates_folder)
        yield _wrong(gettext("procedures"), says, gettext("correct `templates`"))
    sound: list[str] = []
    drafts: defaultdict[str, list[str]] = defaultdict(list)
    for name in names:
        try:
            ready = app.library.get(name)
        except PlanError as error:
            about = gettext("procedure {name}", name=name)
            yield _wrong(about, str(error), gettext("correct the lines named"))
            continue
        sound.append(name)
        for code, status in ready.statuses.items():
            if status is TranslationStatus.DRAFT:
                drafts[code].append(name)
    if sound:
        yield _fine(gettext("procedures"), gettext("every text is sound: {names}", names=", ".join(sound)))
    for code, those in sorted(drafts.items()):
        says = gettext("draft translations into {code!r}, not sent: {names}", code=code, names=", ".join(those))
        advice = gettext("have a qualified translator read them, then name the translator in language.toml")
        yield _note(gettext("procedures"), says, advice)


def _approvals(app: App) -> Iterator[Finding]:
    practice_id = app.config.practice.id
    with app.database.reading() as session:
        approved = approved_hashes(session, practice_id)
        running = running_contents(session, practice_id)
    known: dict[bool, list[str]] = {True: [], False: []}
    for name in app.library.names():
        with suppress(PlanError):  # told of already
            known[app.library.get(name).content_hash in approved].append(name)
    about = gettext("approvals")
    if known[True]:
        yield _fine(about, gettext("approved as they are now: {names}", names=", ".join(known[True])))
    if known[False]:
        says = gettext(
            "nobody approved these as they are now, so no patient can get them: {names}", names=", ".join(known[False])
        )
        yield _note(about, says, "reminders approve PROCEDURE --by NAME --license NUMBER")
    withheld = sum(count for content, count in running.items() if content not in approved)
    if withheld and not app.config.demo:
        yield _wrong(
            gettext("running courses"),
            gettext("{count} began with a plan that nobody approved: their messages are withheld", count=withheld),
            gettext("cancel them, approve the plan, and enroll the patients anew"),
        )


def _transports(app: App) -> Iterator[Finding]:
    try:
        transports = app.transports()
    except ConfigError as error:
        yield _wrong(gettext("transports"), str(error), gettext("correct [delivery] in the configuration"))
        return
    for transport in dict.fromkeys(transports.values()):
        channels = ", ".join(channel for channel, used in transports.items() if used is transport)
        about = gettext("transport for {channels}", channels=channels)
        yield _fine(about, f"{transport.name}; {_abilities(transport.capabilities)}")
        if transport.name == "file":
            says = gettext("writes to {folder}, sends nothing", folder=app.config.outbox_folder)
            advice = gettext("for trial only; choose another transport in [delivery] before real patients")
            yield _note(about, says, advice)
        transport.close()
    if not app.config.practice.email:
        says = gettext("practice.email is empty: no e-mail can be sent")
        yield _note(gettext("e-mail"), says, gettext("set it if patients choose e-mail"))
    if app.config.outbox_folder.is_dir() and not os.access(app.config.outbox_folder, os.W_OK):
        says = gettext("{folder} can't be written", folder=app.config.outbox_folder)
        yield _wrong(gettext("outbox"), says, gettext("correct its owner or its mode"))


def _hooks(app: App) -> Iterator[Finding]:
    """Look whether the gateway in use can bring what patients answer."""
    http, address = app.config.delivery.http, app.config.web.address
    if http is None or app.config.delivery.sms != "http":
        return
    about = gettext("calls of the gateway")
    try:
        hooks = app.hook_calls
    except ConfigError as error:
        yield _wrong(about, str(error), gettext("correct [delivery] in the configuration"))
        return
    if hooks is None or http.reply_hook is None:
        says = gettext("no [delivery.http.reply_hook]: what patients answer by SMS reaches nobody")
        yield _wrong(about, says, gettext("describe how the gateway brings replies, or tell patients not to answer"))
    if hooks is None:
        return
    if not address and not http.is_on_this_machine:
        says = gettext("the gateway has no address to call: `address` in [web] is empty")
        yield _wrong(about, says, gettext("set it to the https:// address of the pages, and run `reminders serve`"))
        return
    places = ((REPLIES_PATH, http.reply_hook), (RECEIPTS_PATH, http.receipt_hook))
    urls = ", ".join(app.config.web.base + path for path, hook in places if hook is not None)
    yield _fine(about, gettext("`reminders serve` takes them at {urls}", urls=urls))


def _abilities(can: Capabilities) -> str:
    abilities = {
        gettext("tells what was delivered"): can.receipts,
        gettext("drops a message that comes twice"): can.idempotency_key,
        gettext("can be asked what went out"): can.status_query,
    }
    said = "; ".join(f"{what}: {gettext('yes') if does else gettext('no')}" for what, does in abilities.items())
    return gettext("{count} messages at once; {abilities}", count=can.batch_size, abilities=said)


def _waiting(app: App) -> Iterator[Finding]:
    now = app.clock.now()
    with app.database.reading() as session:
        found = backlog(session, app.config.practice.id, now=now, late_before=now - _LATE, since=now - _LATELY)
    stall = find_stall(app.database, app.config.practice.id, now)
    if stall is not None:
        advice = gettext("is `reminders run` running? Start it; its output says what stops it")
        yield _wrong(gettext("dispatching"), _stalled(stall.last_beat, found.late), advice)
    elif found.late:
        says = gettext("{count} wait although dispatching goes round", count=found.late)
        yield _note(gettext("messages"), says, gettext("its output says what for"))
    else:
        says = gettext("{waiting} wait for their moment, {due} are due now", waiting=found.scheduled, due=found.due)
        yield _fine(gettext("messages"), says)
    yield from _for_people(found)


def _stalled(last_beat: datetime | None, late: int) -> str:
    minutes = _LATE.seconds // 60
    if last_beat is None:
        said = marked("it never went round, and {late} messages are more than {minutes} min late")
        return gettext(said, late=late, minutes=minutes)
    said = marked("it last went round {moment} UTC, and {late} messages are more than {minutes} min late")
    return gettext(said, moment=f"{last_beat:%Y-%m-%d %H:%M}", late=late, minutes=minutes)


def _for_people(found: Backlog) -> Iterator[Finding]:
    if found.uncertain:
        advice = gettext("ask the patients; reminders messages --state uncertain")
        yield _note(gettext("messages"), gettext("{count} may or may not have gone out", count=found.uncertain), advice)
    if found.failed_lately:
        advice = "reminders messages --state failed"
        says = gettext("{count} were refused in the last 24 h", count=found.failed_lately)
        yield _note(gettext("messages"), says, advice)
    if found.overdue_concerns:
        overdue, count = found.overdue_concerns, found.open_concerns
        says = gettext("{overdue} of {open} are overdue", overdue=overdue, open=count)
        yield _wrong(gettext("concerns"), says, gettext("call: reminders concerns"))
    else:
        yield _fine(gettext("concerns"), gettext("{open} open, none overdue", open=found.open_concerns))


def _fine(about: str, says: str) -> Finding:
    return Finding(about=about, grade=Grade.FINE, says=says)


def _note(about: str, says: str, advice: str) -> Finding:
    return Finding(about=about, grade=Grade.NOTE, says=says, advice=advice)


def _wrong(about: str, says: str, advice: str = "") -> Finding:
    return Finding(about=about, grade=Grade.WRONG, says=says, advice=advice)
