"""What patients do on their page: ask for a call, change the language and the times of their day, stop the messages."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter
from starlette.responses import Response

from reminders.desk.ask_for_call import CallWish, ask_for_call
from reminders.desk.consent import withdraw_everywhere
from reminders.desk.patient_wishes import TimesNotPossible, TimesOutOfOrder, look_at_times, set_language, set_times
from reminders.desk.replan import Proposal
from reminders.errors import InputError, StateError
from reminders.replies import Label
from reminders.web.forms import go
from reminders.web.patient.course import show_course
from reminders.web.patient.here import AtPage, calendar_in, comes
from reminders.web.shown_changes import read_shown, write_shown
from reminders.wording.links import PAGE_PATH
from reminders.wording.page_words import PageWords, page_words

router = APIRouter()
Calling = Annotated[AtPage, comes("page.ask_for_call")]
Speaking = Annotated[AtPage, comes("page.change_language")]
Timing = Annotated[AtPage, comes("page.change_times")]
Stopping = Annotated[AtPage, comes("page.stop")]


@router.post(PAGE_PATH + "{token}/call")
def ask(at: Calling) -> Response:
    """Ask for a call, and tell at once what the words are answered by: an emergency by the number to call."""
    wish = CallWish(words=at.form.text("words"), pressed=_words(at).call.button, once=at.form.text("once"))
    with at.writing() as session:
        asked = ask_for_call(session, at.site.desk, at.page, wish)
    at.trail()
    return at.show("asked.html", asked=asked, is_emergency=asked.label is Label.EMERGENCY)


@router.post(PAGE_PATH + "{token}/language")
def speak(at: Speaking) -> Response:
    """Show the page, and send what is to come, in another language."""
    try:
        with at.writing() as session:
            set_language(session, at.site.desk, at.page, at.form.text("language"))
    except (InputError, StateError):
        return show_course(at, status=409, problem=_words(at).again)
    at.trail()
    return go(at.path)


@router.post(PAGE_PATH + "{token}/times")
def set_day(at: Timing) -> Response:
    """Show what other times of the day change; store it when that was seen."""
    slots = at.form.under("slot.")
    words = _words(at)
    try:
        if "shown" in at.form:
            with at.writing() as session:
                set_times(session, at.site.desk, at.page, slots, shown=read_shown(at.form.text("shown")))
            at.trail()
            return show_course(at, done=words.times.saved)
        with at.reading() as session:
            proposal = look_at_times(session, at.site.desk, at.page, slots)
    except TimesOutOfOrder:
        return show_course(at, status=400, problem=words.times.order)
    except TimesNotPossible:
        return show_course(at, status=400, problem=words.times.not_possible)
    except (InputError, StateError):
        return show_course(at, status=409, problem=words.again)
    return _show_times(at, proposal, slots)


@router.post(PAGE_PATH + "{token}/stop")
def stop(at: Stopping) -> Response:
    """Stop every message, once the patient said that they are sure."""
    if "sure" not in at.form:
        return at.show("stopping.html", is_done=False)
    with at.writing() as session:
        withdraw_everywhere(session, at.site.desk, at.page.patient_id, wording=_words(at).stopping.sure)
    at.trail()
    return at.show("stopping.html", is_done=True)


def _show_times(at: AtPage, proposal: Proposal, slots: dict[str, str]) -> Response:
    calendar, words = calendar_in(at.site, at.page.language), _words(at).steps

    def moment(instant: datetime | None) -> str:
        if instant is None:
            return ""
        there = instant.astimezone(at.page.zone)
        return words.at.format(day=calendar.day_date(there), time=calendar.clock(there))

    return at.show(
        "times.html",
        changes=[(moment(each.before_at), moment(each.after_at), each.text) for each in proposal.changes if each.text],
        slots=slots,
        shown=write_shown(proposal.changes),
        text_language=proposal.course.language,
    )


def _words(at: AtPage) -> PageWords:
    return page_words(at.site.desk.library.shared, at.page.language)
