"""Change the practice's settings on its pages: checked like the file, kept with who and when, and put back."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from reminders.config import Config
from reminders.config_site import KEYS, SettingFaults, Values, laid_over, values_of
from reminders.desk.composing import Desk
from reminders.desk.contact_details import parse_email, parse_phone
from reminders.desk.trail import Action, note_change
from reminders.errors import ConfigError, InputError, NotFound, StateError
from reminders.records import practice_settings as rows
from reminders.records.tables_settings import PracticeSetting
from reminders.words import gettext

MOST_SHOWN = 100


@dataclass(frozen=True, kw_only=True)
class Origin:
    """Where the values of a section come from."""

    version: int
    """0: from the file."""
    by: str = ""
    at: datetime | None = None


@dataclass(frozen=True, kw_only=True)
class Edit:
    """What somebody makes of a section."""

    section: str
    values: Values
    by: str
    puts_back: int | None = None


@dataclass(frozen=True, kw_only=True)
class Change:
    """One change, as the history shows it."""

    version: int
    section: str
    by: str
    at: datetime
    puts_back: int | None
    """The version that it put back; 0 is the file."""
    before: Values
    """The keys that became different, as they were."""
    after: Values
    is_in_force: bool


def changed_config(session: Session, written: Config) -> Config:
    """Return the file's settings with what was changed laid over; ConfigError when the two don't fit any more."""
    config = written
    for name, row in sorted(rows.settings_in_force(session, written.practice.id).items()):
        try:
            config = laid_over(config, name, row.values)
        except SettingFaults as error:
            raise ConfigError(
                gettext(
                    "what was changed on the pages does not fit the file any more: {section}: {faults}; "
                    "`reminders settings to-file {section}` goes back to the file",
                    section=name,
                    faults=str(error),
                )
            ) from None
    return config


def origins(session: Session, practice_id: str) -> dict[str, Origin]:
    """Return for every section where its values come from."""
    found = rows.settings_in_force(session, practice_id)
    return {
        name: Origin(version=row.version, by=row.changed_by, at=row.changed_at)
        if (row := found.get(name)) and row.values
        else Origin(version=0)
        for name in KEYS
    }


def last_change(session: Session, practice_id: str, section: str) -> int:
    """Return the version of a section's last change; 0 when it was never changed."""
    row = rows.settings_in_force(session, practice_id).get(section)
    return row.version if row else 0


def change_settings(session: Session, desk: Desk, written: Config, edit: Edit, *, seen: int) -> int:
    """Lay values over a section; returns the version of the change, or the last one when nothing is different.

    `seen` is the section's last change when the form was shown: StateError when somebody changed it since. Raises
    SettingFaults with everything that is wrong, and then nothing is changed.
    """
    section = edit.section
    if last_change(session, desk.practice_id, section) != seen:
        raise StateError(gettext("Somebody changed this meanwhile; what you typed is below, look at both and decide."))
    check_section(desk, written, section, edit.values)
    new = values_of(laid_over(written, section, edit.values), section)
    if new == values_of(changed_config(session, written), section):
        return seen
    from_file = values_of(written, section)
    different = {key: value for key, value in new.items() if value != from_file[key]}
    return _store(session, desk, replace(edit, values=different))


def put_back(session: Session, desk: Desk, written: Config, version: int, *, by: str) -> int:
    """Make a section what it was after a change; returns the new version.

    NotFound for a change that there is not; SettingFaults when it does not fit the file any more.
    """
    row = rows.setting_of(session, desk.practice_id, version)
    if row is None:
        raise NotFound(gettext("there is no change {number} of the settings", number=version))
    check_section(desk, written, row.section, row.values)
    return _store(session, desk, Edit(section=row.section, values=row.values, by=by, puts_back=version))


def back_to_file(session: Session, desk: Desk, section: str, *, by: str) -> int:
    """Make a section what the file says; returns the new version. NotFound for a section that there is not."""
    if section not in KEYS:
        known = ", ".join(KEYS)
        raise NotFound(gettext("there is no section {section!r}; there are {known}", section=section, known=known))
    return _store(session, desk, Edit(section=section, values={}, by=by, puts_back=0))


def changes(session: Session, written: Config) -> list[Change]:
    """Return the changes of a practice, the newest first, a hundred at most, each with what became different."""
    found = rows.setting_history(session, written.practice.id)
    in_force = {row.version for row in rows.settings_in_force(session, written.practice.id).values()}
    before: dict[str, Mapping[str, Any]] = {}
    told: list[Change] = []
    for row in reversed(found):
        from_file = values_of(written, row.section)
        was, now = before.get(row.section, from_file), {**from_file, **row.values}
        keys = [key for key in KEYS[row.section] if was.get(key) != now.get(key)]
        told.append(
            Change(
                version=row.version,
                section=row.section,
                by=row.changed_by,
                at=row.changed_at,
                puts_back=row.puts_back,
                before={key: was.get(key) for key in keys},
                after={key: now.get(key) for key in keys},
                is_in_force=row.version in in_force,
            )
        )
        before[row.section] = now
    return told[::-1][:MOST_SHOWN]


def check_section(desk: Desk, written: Config, section: str, values: Values) -> None:
    """Raise SettingFaults with everything that is wrong with a section's values, numbers and addresses among it."""
    faults: dict[str, str] = {}
    try:
        laid_over(written, section, values)
    except SettingFaults as error:
        faults |= error.faults
    for path, address in _addresses(section, values):
        try:
            _read_address(desk, path, address)
        except InputError as error:
            faults.setdefault(path, str(error))
    if faults:
        raise SettingFaults(faults)


def _addresses(section: str, values: Values) -> Iterator[tuple[str, str]]:
    if section == "practice" and values.get("email"):
        yield "email", values["email"]
    if section == "duty":
        for key, person in values.get("people", {}).items():
            yield from ((f"people.{key}.{way}", person[way]) for way in ("phone", "email") if person.get(way))


def _read_address(desk: Desk, path: str, address: str) -> None:
    if path.endswith("phone"):
        parse_phone(address, region=desk.region, zone=desk.zone, at=desk.clock.now())
    else:
        parse_email(address)


def _store(session: Session, desk: Desk, edit: Edit) -> int:
    row = PracticeSetting(
        practice_id=desk.practice_id,
        version=0,
        section=edit.section,
        values=dict(edit.values),
        changed_by=edit.by,
        changed_at=desk.clock.now(),
        puts_back=edit.puts_back,
    )
    version = rows.add_setting(session, row)
    details = {"section": edit.section}
    note_change(session, desk, Action.SETTINGS_SET, (None, f"setting {version}"), details=details)
    return version
