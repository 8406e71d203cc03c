"""The page of a patient's course: who may open it, by which link and code, and until when."""

from __future__ import annotations

import hmac
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.desk.course_facts import from_json
from reminders.desk.trail import Action, note_change
from reminders.errors import NotFound
from reminders.records import courses, patient_pages
from reminders.records.tables import Enrollment
from reminders.wording.links import (
    claimed_number,
    is_page,
    opened_page,
    page_code,
    page_form,
    page_open_until,
    page_url,
)
from reminders.wording.page_words import choose_page_language, page_languages
from reminders.wording.sheet import SheetPage
from reminders.words import gettext

FREE_TRIES = 5
"""Wrong codes in a row before the page rests: a minute at first, twice as long each time."""
MOST_TRIES = 20
"""Wrong codes in a row before it stays shut until staff give a new one: a guess at 6 digits then helps 1 in 50,000.

NIST SP 800-63B-4 section 3.2.2 asks for a limit of 100 in a row, and whoever guesses has a link of 128 bits already.
"""
_LONGEST_REST = timedelta(hours=1)


@dataclass(frozen=True, kw_only=True)
class PageRules:
    """How a practice serves pages to its patients."""

    base: str
    """The address that links begin with."""
    key: bytes
    stays: timedelta
    """How long a page stays after the last day of its course."""
    opened_for: timedelta
    """How long it stays open in a browser that nobody uses."""


@dataclass(frozen=True, kw_only=True)
class PatientPage:
    """A page whose link was found to be right."""

    enrollment: Enrollment
    enrollment_id: int
    issue: int
    ends_at: datetime
    """When the link ends."""
    language: str
    """Of the words around the texts."""
    zone: ZoneInfo
    """The patient's; all times are shown by it."""
    failures: int
    """Wrong codes in a row."""
    locked_until: datetime | None

    @property
    def is_locked(self) -> bool:
        """Whether too many codes were wrong: then only staff can let the patient in again."""
        return self.failures >= MOST_TRIES

    @property
    def patient_id(self) -> int:
        """Whose course it is."""
        return self.enrollment.patient_id


class Tried(StrEnum):
    """What came of a code."""

    OPENED = "opened"
    WRONG = "wrong"
    WAIT = "wait"  # too many in a row; the page rests
    LOCKED = "locked"  # staff have to give a new code


@dataclass(frozen=True, kw_only=True)
class Attempt:
    """How it stands with opening a page."""

    tried: Tried
    wait_until: datetime | None = None
    """When the next code is taken."""


def find_page(session: Session, desk: Desk, rules: PageRules, token: str) -> PatientPage | None:
    """Return the page that a link leads to; None when it was not made here, is void, or has ended."""
    enrollment_id = claimed_number(token)
    enrollment = courses.enrollment_of(session, enrollment_id) if enrollment_id is not None else None
    if enrollment_id is None or enrollment is None or enrollment.practice_id != desk.practice_id:
        return None
    page = _page(session, desk, rules, enrollment, enrollment_id)
    is_right = is_page(rules.key, token, enrollment_id, page.issue)
    return page if is_right and _is_there(desk, page) else None


def page_of_course(session: Session, desk: Desk, rules: PageRules, enrollment_id: int) -> PatientPage:
    """Return the page of a course, for staff; raises NotFound."""
    enrollment = courses.enrollment_of(session, enrollment_id)
    if enrollment is None or enrollment.practice_id != desk.practice_id:
        raise NotFound(gettext("there is no enrollment {enrollment_id}", enrollment_id=enrollment_id))
    return _page(session, desk, rules, enrollment, enrollment_id)


def offered(session: Session, desk: Desk, rules: PageRules | None, enrollment_id: int) -> PatientPage | None:
    """Return the page of a course that its patient can open; None when no pages are served, or this one has ended.

    Raises NotFound.
    """
    if rules is None:
        return None
    page = page_of_course(session, desk, rules, enrollment_id)
    return page if _is_there(desk, page) else None


def way_offered(session: Session, desk: Desk, rules: PageRules | None, enrollment_id: int) -> SheetPage | None:
    """Return the link and code of the page that `offered` returns."""
    page = offered(session, desk, rules, enrollment_id)
    return way_in(rules, page) if rules is not None and page is not None else None


def way_in(rules: PageRules, page: PatientPage) -> SheetPage:
    """Return the link and the code that open a page."""
    link = (rules.key, page.enrollment_id, page.issue)
    return SheetPage(url=page_url(rules.base, *link), code=page_code(*link))


def give_new_link(session: Session, desk: Desk, rules: PageRules, enrollment_id: int) -> PatientPage:
    """Make the links and codes given out so far void, where a sheet was lost or the page is locked; raises NotFound."""
    page = page_of_course(session, desk, rules, enrollment_id)
    patient_pages.issue_again(session, enrollment_id)
    note_change(session, desk, Action.PAGE_LINK, (page.patient_id, f"enrollment {enrollment_id}"))
    return replace(page, issue=page.issue + 1, failures=0, locked_until=None)


def try_code(session: Session, desk: Desk, rules: PageRules, page: PatientPage, typed: str) -> Attempt:
    """Say whether a code opens a page. Each try counts as wrong until it is right, so many at once win nothing."""
    now = desk.clock.now()
    if not (digits := _digits(typed)):
        return Attempt(tried=Tried.WRONG)
    failures = patient_pages.count_try(session, page.enrollment_id, now=now, most=MOST_TRIES)
    if failures is None:
        state = patient_pages.page_state(session, page.enrollment_id)
        return _standing(state.failures, state.locked_until, now) or Attempt(tried=Tried.WRONG)
    code = page_code(rules.key, page.enrollment_id, page.issue)
    if hmac.compare_digest(code.encode(), digits.encode()):
        patient_pages.set_page(session, page.enrollment_id, failures=0, locked_until=None)
        return Attempt(tried=Tried.OPENED)
    until = None
    if failures >= FREE_TRIES:
        until = now + min(timedelta(minutes=1) * 2 ** (failures - FREE_TRIES), _LONGEST_REST)
        patient_pages.set_page(session, page.enrollment_id, locked_until=until)
    return _standing(failures, until, now) or Attempt(tried=Tried.WRONG)


def standing(desk: Desk, page: PatientPage) -> Attempt | None:
    """Say what keeps a page shut before anybody tries; None when nothing does."""
    return _standing(page.failures, page.locked_until, desk.clock.now())


def keep_open(desk: Desk, rules: PageRules, page: PatientPage) -> tuple[str, datetime]:
    """Return what the browser keeps while the page is open to it, and until when; never beyond the link's end."""
    until = min(desk.clock.now() + rules.opened_for, page.ends_at)
    return opened_page(rules.key, page.enrollment_id, page.issue, until=until), until


def is_open(desk: Desk, rules: PageRules, page: PatientPage, kept: str) -> bool:
    """Say whether what a browser kept opens this page still."""
    until = page_open_until(rules.key, kept, page.enrollment_id, page.issue)
    return until is not None and desk.clock.now() < until


def form_token(rules: PageRules, page: PatientPage) -> str:
    """Return what every form of an open page carries."""
    return page_form(rules.key, page.enrollment_id, page.issue)


def _is_there(desk: Desk, page: PatientPage) -> bool:
    return page.enrollment.state != "cancelled" and desk.clock.now() < page.ends_at


def _standing(failures: int, locked_until: datetime | None, now: datetime) -> Attempt | None:
    if failures >= MOST_TRIES:
        return Attempt(tried=Tried.LOCKED)
    if locked_until is not None and now < locked_until:
        return Attempt(tried=Tried.WAIT, wait_until=locked_until)
    return None


def _page(session: Session, desk: Desk, rules: PageRules, enrollment: Enrollment, enrollment_id: int) -> PatientPage:
    state = patient_pages.page_state(session, enrollment_id)
    course = from_json(enrollment.facts)
    last = patient_pages.last_moment(session, enrollment_id)
    last_at = max(each for each in (last, course.visit, enrollment.procedure_end) if each is not None)
    if enrollment.ended_at is not None:
        last_at = min(last_at, enrollment.ended_at)
    known = page_languages(desk.library.shared, drafts=desk.demo)
    return PatientPage(
        enrollment=enrollment,
        enrollment_id=enrollment_id,
        issue=state.issue,
        ends_at=last_at + rules.stays,
        language=choose_page_language(known, state.language or "", course.language, desk.language),
        zone=course.zone,
        failures=state.failures,
        locked_until=state.locked_until,
    )


def _digits(typed: str) -> str:
    """Return the digits of what was typed, in whatever script: `٠١٢ 345` is 012345."""
    return "".join(str(int(each)) for each in typed[:40] if each.isdecimal())
