"""The patient's own page: what to do now, when to call, and every step of the course."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import groupby
from typing import Annotated, Any

from fastapi import APIRouter
from starlette.responses import Response

from reminders.delivery.transports.letter import visit_in_calendar
from reminders.delivery.visits_told import visit_to_tell
from reminders.desk.patient_view import PageStep, PatientView, view_of
from reminders.errors import PlanError, StateError
from reminders.exchange.icalendar import published
from reminders.records.visits import visit_of
from reminders.web.forms import go
from reminders.web.patient.here import AtPage, Gone, calendar_in, comes, language_name
from reminders.wording.links import PAGE_PATH
from reminders.wording.page_words import page_languages, page_words

router = APIRouter()
Seeing = Annotated[AtPage, comes("page.see")]
Adding = Annotated[AtPage, comes("page.add_visit")]
ENDS, MADE = "X-Page-Ends", "X-Page-Made"
"""Of the page alone: when its link ends and when it was made, in seconds since 1970; the worker keeps no other."""


@router.get(PAGE_PATH + "{token}/")
def see(at: Seeing) -> Response:
    """Show the page, and keep it open for a while."""
    at.trail()
    return at.kept_open(show_course(at))


@router.get(PAGE_PATH + "{token}/visit.ics")
def add_visit(at: Adding) -> Response:
    """Give the visit to the patient's calendar, under the name that e-mails give it."""
    with at.reading() as session:
        visit = visit_of(session, at.page.enrollment_id)
    head = at.site.app.letterheads.get(at.site.desk.practice_id)
    if visit is None or visit.is_cancelled or head is None:
        return go(at.path)
    at.trail()
    told = visit_to_tell(visit, at.site.database.installation_name(), at.page.zone.key)
    content = published(visit_in_calendar(told, head))
    return Response(
        content, media_type="text/calendar", headers={"Content-Disposition": 'inline; filename="visit.ics"'}
    )


def show_course(at: AtPage, *, status: int = 200, **more: Any) -> Response:
    """Return the page of a course, with other values for its template; Gone when its plan can't be read any more."""
    try:
        with at.reading() as session:
            view = view_of(session, at.site.desk, at.page)
    except (PlanError, StateError):
        raise Gone from None
    now = at.site.clock.now()
    made, ends = int(now.timestamp()), int(at.page.ends_at.timestamp())
    values = {
        **_said(at, view, now),
        "view": view,
        "made": made,
        "once": secrets.token_urlsafe(16),
        "kept_words": at.form.text("words"),
        "done": "",
        "problem": "",
    }
    answer = at.show("course.html", status=status, **{**values, **more})
    answer.headers[ENDS], answer.headers[MADE] = str(ends), str(made)
    return answer


def _said(at: AtPage, view: PatientView, now: datetime) -> dict[str, Any]:
    """Return what the page says of times and languages."""
    language, zone = at.page.language, at.page.zone
    calendar = calendar_in(at.site, language)
    words = page_words(at.site.desk.library.shared, language).steps
    today = now.astimezone(zone).date()
    near = {timedelta(0): words.today, timedelta(1): words.tomorrow, timedelta(-1): words.yesterday}

    def when(moment: datetime) -> str:
        day = near.get(moment.date() - today) or calendar.day_date(moment)
        return words.at.format(day=day, time=calendar.clock(moment))

    def whole(moment: datetime) -> str:
        return words.at.format(day=calendar.day_date(moment), time=calendar.clock(moment))

    visit = view.course.visit
    return {
        "when": when,
        "clock": calendar.clock,
        "day_date": calendar.day_date,
        "so_far": _by_day(view.so_far),
        "to_come": _by_day(view.to_come),
        "visit": whole(visit.astimezone(zone)) if visit and visit > now and not view.is_over else "",
        "has_calendar": bool(at.site.app.letterheads),
        "made_at": whole(now.astimezone(zone)),
        "kept_until": calendar.day_date(at.page.ends_at.astimezone(zone)),
        "known": page_languages(at.site.desk.library.shared, drafts=at.site.desk.demo),
        "text_language": view.language,
        "text_language_name": language_name(view.language, language),
    }


def _by_day(steps: Sequence[PageStep]) -> list[tuple[int, list[PageStep]]]:
    return [(day, list(found)) for day, found in groupby(steps, key=lambda each: each.day)]
