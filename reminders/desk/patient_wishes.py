"""What patients change by themselves on their page: its language, the times of their day, and no more messages."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import time

from sqlalchemy.orm import Session

from reminders.care.values import Course, Slot
from reminders.desk.changed_facts import Changes, changed_course
from reminders.desk.composing import Desk
from reminders.desk.course_difference import Change
from reminders.desk.course_facts import from_json
from reminders.desk.patient_page import PatientPage
from reminders.desk.pinned_plans import pinned_plan
from reminders.desk.replan import Proposal, propose, replan
from reminders.desk.trail import Action, note_change
from reminders.errors import InputError
from reminders.records import courses, patient_pages
from reminders.wording.languages import TranslationStatus
from reminders.wording.page_words import page_languages

_LOST = {"withheld", "cancelled"}


class TimesOutOfOrder(InputError):
    """The times of a day do not follow each other."""


class TimesNotPossible(InputError):
    """With such times a message that the patient needs could not be sent."""


@dataclass(frozen=True, kw_only=True)
class LanguageChange:
    """What a patient's choice of language changes."""

    language: str
    messages_too: bool
    """Whether the plan has texts in it that are fit to be sent."""


def set_language(session: Session, desk: Desk, page: PatientPage, wanted: str) -> LanguageChange:
    """Show the page in another language, and send what is still to come in it where the plan can.

    Raises InputError for a language that the page can't be shown in.
    """
    known = page_languages(desk.library.shared, drafts=desk.demo)
    if wanted not in known:
        raise InputError(f"the page has no words in {wanted[:20]!r}; there are {', '.join(known)}")
    patient_pages.set_page(session, page.enrollment_id, language=wanted)
    note_change(session, desk, Action.PAGE_ACT, (page.patient_id, f"enrollment {page.enrollment_id}: language"))
    enrollment = page.enrollment
    ready = pinned_plan(session, desk, enrollment.procedure, enrollment.content_hash)
    fit = wanted in ready.plan.file.languages and (desk.demo or ready.statuses[wanted] is not TranslationStatus.DRAFT)
    if fit and enrollment.state == "active" and from_json(enrollment.facts).language != wanted:
        course = changed_course(session, desk, page.enrollment_id, Changes(language=wanted))
        replan(session, desk, page.enrollment_id, course)
    return LanguageChange(language=wanted, messages_too=fit)


def look_at_times(session: Session, desk: Desk, page: PatientPage, slots: Mapping[str, str]) -> Proposal:
    """Return what other times of the day would change; stores nothing.

    Raises TimesOutOfOrder, TimesNotPossible, StateError when the course does not run, InputError for what is no time.
    """
    course = _with_times(session, desk, page, slots)
    proposal = propose(session, desk, page.enrollment_id, course)
    _refuse_loss(session, page, proposal)
    return proposal


def set_times(
    session: Session, desk: Desk, page: PatientPage, slots: Mapping[str, str], *, shown: Sequence[Change]
) -> None:
    """Store other times of the day, if that still comes to what the patient was shown; raises as looking does."""
    course = _with_times(session, desk, page, slots)
    _refuse_loss(session, page, replan(session, desk, page.enrollment_id, course, shown=shown))


def _with_times(session: Session, desk: Desk, page: PatientPage, slots: Mapping[str, str]) -> Course:
    course = changed_course(session, desk, page.enrollment_id, Changes(slots=slots))
    in_order: list[time] = [course.slots[slot] for slot in Slot if str(slot) in slots]
    if in_order != sorted(set(in_order)):
        raise TimesOutOfOrder("the times of a day follow each other")
    return course


def _refuse_loss(session: Session, page: PatientPage, proposal: Proposal) -> None:
    """Raise TimesNotPossible when a message that the patient needs would go; staff may decide so, a patient not."""
    required = {
        (each.key, each.occurrence) for each in courses.messages_of(session, page.enrollment_id) if each.required
    }
    if any(each.what in _LOST and (each.key, each.occurrence) in required for each in proposal.changes):
        raise TimesNotPossible("a message that the patient needs could not be sent")
