"""Erase one patient, where the law allows it, and say what has to stay and why."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.desk.holds import found_patient
from reminders.desk.retention import RetentionRules
from reminders.desk.trail import Action, note_change
from reminders.errors import InputError, StateError
from reminders.records import holds, purging, traces
from reminders.records.freed_pages import overwrite_what_is_freed
from reminders.words import gettext

_LONGEST_REASON = 300


@dataclass(frozen=True, kw_only=True)
class Erasure:
    """What erasing a patient would come to now."""

    patient_id: int
    courses: tuple[int, ...]
    obstacles: tuple[str, ...]
    """What has to be settled first; nothing overrules these."""
    kept_until: datetime | None
    """Until when the documentation has to be kept; None when its period is over."""
    stays: tuple[str, ...]
    """What stays in any case, and why."""


def look_at_erasure(session: Session, desk: Desk, rules: RetentionRules, patient_id: int) -> Erasure:
    """Return what erasing a patient would come to; raises NotFound."""
    found_patient(session, desk, patient_id)
    courses = traces.courses_of(session, patient_id)
    last = traces.last_moment_of(session, patient_id)
    is_over = last is None or last < rules.documentation_before(desk.clock.now())
    return Erasure(
        patient_id=patient_id,
        courses=tuple(courses),
        obstacles=_obstacles(session, patient_id),
        kept_until=None if is_over or last is None else _years_after(last, rules.documentation_years),
        stays=_stays(session, patient_id),
    )


def erase_patient(
    session: Session, desk: Desk, rules: RetentionRules, patient_id: int, *, despite: str = ""
) -> Erasure:
    """Delete everything about a patient but what has to stay; returns what was found before.

    `despite` is why the documentation goes although its period is not over. It stands in the audit trail, so it names
    nobody. Raises NotFound; StateError when something has to be settled first; InputError when the period is not over
    and nobody said why.
    """
    found = look_at_erasure(session, desk, rules, patient_id)
    if found.obstacles:
        raise StateError("\n".join(found.obstacles))
    if found.kept_until is not None and not despite.strip():
        said = gettext(
            "the documentation has to be kept until {day} (45 CFR 164.316(b)(2)(i), and your state's law); "
            "say --despite-retention with the reason if the law lets you erase it sooner",
            day=found.kept_until.date(),
        )
        raise InputError(said)
    overwrite_what_is_freed(session)
    purging.remove_courses(session, found.courses)
    purging.remove_patients(session, [patient_id])
    details: dict[str, object] = {"courses": list(found.courses)}
    if found.kept_until is not None:
        details["despite_retention"] = despite.strip()[:_LONGEST_REASON]
    note_change(session, desk, Action.PATIENT_ERASE, (patient_id, ""), details)
    return found


def _obstacles(session: Session, patient_id: int) -> tuple[str, ...]:
    found = []
    if holds.hold_of(session, patient_id) is not None:
        found.append(gettext("the patient is under a legal hold; `reminders hold` lists them with their reasons"))
    if running := traces.running_courses_of(session, patient_id):
        named = ", ".join(map(str, running))
        found.append(gettext("course {courses} still runs; end or cancel it first", courses=named))
    if open_ones := traces.open_concerns_of(session, patient_id):
        named = ", ".join(map(str, open_ones))
        found.append(gettext("concern {concerns} is open; close it first", concerns=named))
    return tuple(found)


def _stays(session: Session, patient_id: int) -> tuple[str, ...]:
    stays = [gettext("the audit trail, which names the patient by number only: it must not be altered")]
    if traces.has_silent_address(session, patient_id):
        stays.append(gettext("keyed hashes of the addresses that asked for silence, so that nobody writes there again"))
    stays.append(gettext("backups taken before: they keep the patient until you delete them"))
    return tuple(stays)


def _years_after(moment: datetime, years: int) -> datetime:
    try:
        return moment.replace(year=moment.year + years)
    except ValueError:
        return moment.replace(year=moment.year + years, month=3, day=1)
