"""Enroll a patient at the counter: one page, everything shown before it happens, taken back on the same page."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any

from fastapi import APIRouter
from fastapi.responses import Response

from reminders.desk import checkout as desk_checkout
from reminders.desk.course_facts import CourseInput
from reminders.desk.enroll import AlreadyEnrolled, Enrolled, EnrollmentInput, enroll
from reminders.desk.find_people import find_patients
from reminders.desk.patient_page import way_offered
from reminders.desk.roles import Right
from reminders.desk.trail import Action
from reminders.desk.waiting import note_enrolled, one_waiting
from reminders.errors import InputError, StateError
from reminders.records import people
from reminders.records.waiting import count_waiting
from reminders.web.forms import Form, go, row_number
from reminders.web.staff.here import Here, Number, acts
from reminders.words import gettext, marked

router = APIRouter()
Looking = Annotated[Here, acts(right=Right.ENROLL)]
Enrolling = Annotated[Here, acts(right=Right.ENROLL)]
Telling = Annotated[Here, acts(Action.WAITING_SEE, Right.ENROLL)]
Finding = Annotated[Here, acts(Action.PATIENTS_FIND, Right.ENROLL)]
_PAGE = "/staff/checkout"
_FOUND = 8
_TOLD = frozenset({"first_name", "last_name", "phone", "email", "language", "end", "visit", "zone"})
_WALL_TIME = len("2026-03-07T15:30")
_SLOTS = ("morning", "midday", "evening", "bedtime")


@router.get(_PAGE)
def empty(here: Looking) -> Response:
    """Show the empty form, for the procedure that was enrolled last."""
    return _show(here, here.form)


@router.post("/staff/checkout/choose")
def choose(here: Looking) -> Response:
    """Show the form anew for another procedure, or with what a script can't do by itself."""
    return _show(here, here.form)


@router.post("/staff/checkout/preview")
def preview(here: Looking) -> Response:
    """Show what enrolling would come to."""
    if not here.is_partial:
        return _show(here, here.form)
    return here.show("checkout_preview.html", **_ahead(here, here.form))


@router.post("/staff/checkout/find")
def find(here: Finding) -> Response:
    """Find patients who were here before; what is searched for never stands in an address."""
    search = here.form.text("search")
    with here.reading() as session:
        found = find_patients(session, here.desk, search, limit=_FOUND) if len(search) > 1 else ()
    here.trail(*((each.id, "") for each in found))
    if here.is_partial:
        return here.show("checkout_found.html", found=found, search=search)
    return _show(here, here.form, found=found)


@router.post("/staff/checkout/known/{patient_id}")
def known(here: Finding, patient_id: Number) -> Response:
    """Fill the form in with what is known of a patient."""
    with here.reading() as session:
        patient = people.patient_of(session, patient_id)
        contacts = people.contacts_of(session, patient_id) if patient else []
    if patient is None or patient.practice_id != here.desk.practice_id:
        return _show(here, here.form)
    here.trail((patient_id, ""))
    by_channel = {each.channel: each.address for each in contacts if each.state != "released"}
    filled = {
        "first_name": patient.first_name,
        "last_name": patient.last_name,
        "phone": by_channel.get("sms", ""),
        "email": by_channel.get("email", ""),
        "language": patient.language,
        "zone": patient.zone,
        **{f"slot.{name}": wall for name, wall in patient.slots.items()},
    }
    return _show(here, Form([*here.form.fields, *filled.items()]))


@router.post("/staff/checkout/waiting/{waiting_id}")
def told(here: Telling, waiting_id: Number) -> Response:
    """Fill the form in with what another system told of a patient."""
    try:
        with here.reading() as session:
            found = one_waiting(session, here.desk, waiting_id)
    except StateError as error:
        return _show(here, here.form, status=409, problems=(str(error),))
    here.trail((None, f"waiting {waiting_id}"))
    filled = {name: value for name, value in found.told.items() if name in _TOLD}
    if len(filled.get("end", "")) == _WALL_TIME:
        filled["end"] = filled["end"].replace("T", " ")
    return _show(here, Form([*here.form.fields, *filled.items(), ("waiting", str(waiting_id))]))


@router.post(_PAGE)
def enroll_patient(here: Enrolling) -> Response:
    """Enroll, and show what is to be said now; or show what is still wrong."""
    if here.form.text("asked_for") not in {"", here.form.text("procedure")}:
        said = (gettext("You chose another procedure. See what it asks about and what will happen, then enroll."),)
        return _show(here, here.form, status=409, problems=said)
    given = _given(here, here.form)
    waiting_id = row_number(here.form.text("waiting"))
    try:
        with here.writing() as session:
            enrolled = enroll(session, here.desk, given)
            if waiting_id is not None:
                note_enrolled(session, here.desk, waiting_id, enrolled.enrollment_id, by=here.who.name)
    except AlreadyEnrolled as error:
        has_one = marked("This patient has course {number} for the same procedure and day already.")
        said = (gettext(has_one, number=error.enrollment_id),)
        return _show(here, here.form, status=409, problems=said, twice=error.enrollment_id)
    except InputError as error:
        return _show(here, here.form, status=400, problems=error.problems)
    except StateError as error:
        return _show(here, here.form, status=409, problems=(str(error),))
    return _done(here, given, enrolled)


@router.post("/staff/checkout/{enrollment_id}/take-back")
def take_back(here: Enrolling, enrollment_id: Number) -> Response:
    """Undo an enrollment just made."""
    with here.writing() as session:
        desk_checkout.take_back(session, here.desk, enrollment_id, by=here.who.name)
    return go(f"{_PAGE}?taken-back={enrollment_id}")


def _done(here: Here, given: EnrollmentInput, enrolled: Enrolled) -> Response:
    ahead = desk_checkout.LookAhead(problems=(), warnings=enrolled.warnings, composed=enrolled.composed)
    name = f"{given.first_name} {given.last_name}".strip()
    with here.reading() as session:
        way = way_offered(session, here.desk, here.site.app.page_rules, enrolled.enrollment_id)
    return here.show("checkout_done.html", enrolled=enrolled, ahead=ahead, patient=name, way=way)


def _show(here: Here, form: Form, *, status: int = 200, **more: Any) -> Response:
    procedure = form.text("procedure")
    names = here.desk.library.names()
    if procedure not in names:
        with here.reading() as session:
            procedure = desk_checkout.usual_procedure(session, here.desk)
    plan = here.desk.library.get(procedure).plan
    values = {
        "procedures": here.desk.library.titles(),
        "procedure": procedure,
        "plan": plan,
        "factors": {name: plan.factors[name].says for name in plan.file.factors if name in plan.factors},
        "anaesthetics": desk_checkout.anaesthetics_of(plan),
        "settings": {name: each for name, each in plan.file.settings.items() if name != "anaesthetic"},
        "typed": _typed(here, form, plan.file.languages),
        "chosen": form.all("factor"),
        "slots": _SLOTS,
        "read_out": desk_checkout.READ_OUT,
        "found": (),
        "search": form.text("search"),
        "waiting": form.text("waiting"),
        "how_many_wait": _how_many_wait(here),
        "problems": (),
        "twice": None,
        "taken_back": row_number(here.request.query_params.get("taken-back", "")),
    }
    return here.show("checkout.html", status=status, **{**values, **_ahead(here, form, procedure), **more})


def _how_many_wait(here: Here) -> int:
    with here.reading() as session:
        return count_waiting(session, here.desk.practice_id)


def _ahead(here: Here, form: Form, procedure: str = "") -> dict[str, Any]:
    e164, warnings, problems = desk_checkout.phone_says(here.desk, form.text("phone"))
    given = _given(here, form, procedure)
    ahead = desk_checkout.look_ahead(here.site.database, here.desk, given)
    replace(here, action=Action.PATIENT_TRY).trail_list(ahead.shows)
    return {"ahead": ahead, "phone": {"e164": e164, "warnings": warnings, "problems": problems}}


def _given(here: Here, form: Form, procedure: str = "") -> EnrollmentInput:
    """Return what was typed, as the desk takes it."""
    course = CourseInput(
        end=form.text("end") or _now(here),
        zone=form.text("zone") or here.desk.zone.key,
        language=form.text("language") or here.desk.language,
        factors=form.all("factor"),
        settings=form.under("set."),
        block_placed=form.text("block_placed") or None,
        visit=form.text("visit").replace("T", " ") or None,
        slots=form.under("slot."),
        channel=form.text("channel") or "sms",
        night_contact_agreed="night_contact" in form,
        site=form.text("site") or None,
    )
    return EnrollmentInput(
        procedure=procedure or form.text("procedure"),
        first_name=form.text("first_name"),
        last_name=form.text("last_name"),
        phone=form.text("phone"),
        email=form.text("email"),
        course=course,
        consent="consent" in form,
        consent_wording=desk_checkout.CONSENT,
        recorded_by=here.who.name,
        again="again" in form,
    )


def _typed(here: Here, form: Form, languages: tuple[str, ...]) -> dict[str, Any]:
    names = ("first_name", "last_name", "phone", "email", "block_placed", "visit", "site", "channel", "zone")
    return {
        **{name: form.text(name) for name in names},
        "end": form.text("end") or _now(here),
        "language": form.text("language") or here.desk.language,
        "languages": languages,
        "consent": "consent" in form,
        "night_contact": "night_contact" in form,
        "settings": form.under("set."),
        "slots": form.under("slot."),
    }


def _now(here: Here) -> str:
    return f"{here.desk.clock.now().astimezone(here.desk.zone):%Y-%m-%d %H:%M}"
