"""The questions that `reminders enroll` asks at a terminal, each answer checked before the next."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import click

from reminders.assembly import App
from reminders.care.plan import Plan
from reminders.care.resolving import factor_named
from reminders.care.timing import zone_named
from reminders.cli.terminal import ask
from reminders.desk.contact_details import parse_email, parse_name, parse_phone
from reminders.desk.course_facts import language_of, parse_moment
from reminders.desk.enroll import EnrollmentInput
from reminders.errors import InputError
from reminders.words import gettext, marked


def ask_for_missing(app: App, given: EnrollmentInput) -> EnrollmentInput:
    """Return what the desk gives, completed by questions when something needed was not said; all go to stderr."""
    by_email = given.course.channel.strip().lower().replace("-", "") in {"email", "mail"}
    address = given.email if by_email else given.phone
    if given.first_name and address and given.course.end and given.consent:
        return given
    plan = app.library.get(given.procedure).plan
    click.echo(gettext("Enrolling for: {plan}. Ctrl-C stops, and nothing is stored.", plan=plan.title), err=True)
    given = _ask_person(app, given, by_email=by_email)
    given = _ask_course(app, given, plan)
    if not given.consent:
        question = gettext("Did the patient agree to be written to there, and hear that messages are not encrypted?")
        given = replace(given, consent=click.confirm(question, err=True))
    return given


def _ask_person(app: App, given: EnrollmentInput, *, by_email: bool) -> EnrollmentInput:
    first = given.first_name or ask(gettext("First name"), lambda text: parse_name(text, what=marked("first name")))
    last = given.last_name or ask(
        gettext("Last name"), lambda text: parse_name(text, what=marked("last name")), default=""
    )
    zone = _zone(given, app)
    if by_email:
        email = given.email or ask(gettext("E-mail address"), parse_email)
        return replace(given, first_name=first, last_name=last, email=email)

    def number(text: str) -> str:
        return parse_phone(text, region=app.desk.region, zone=zone, at=app.clock.now()).e164

    return replace(given, first_name=first, last_name=last, phone=given.phone or ask(gettext("Mobile number"), number))


def _ask_course(app: App, given: EnrollmentInput, plan: Plan) -> EnrollmentInput:
    course = given.course
    zone = _zone(given, app)

    def moment(text: str) -> str:
        parse_moment(text, zone, what=marked("the time"), region=app.desk.region)
        return text

    if not course.end:
        now = app.clock.now().astimezone(zone)
        course = replace(
            course, end=ask(gettext("When did the procedure end?"), moment, default=f"{now:%Y-%m-%d %H:%M}")
        )
    if len(plan.file.languages) > 1:
        question = gettext("Language ({known})", known=", ".join(plan.file.languages))
        course = replace(course, language=ask(question, lambda text: language_of(text, plan), default=course.language))
    if not course.factors:
        question = gettext("Patient factors, with commas (`none` if there are none, ? lists them)")
        course = replace(course, factors=ask(question, lambda text: _factors(text, plan)))
    if course.visit is None:
        visit = ask(
            gettext("Return visit booked for (empty if not yet)"), lambda text: moment(text) if text else "", default=""
        )
        course = replace(course, visit=visit or None)
    return replace(given, course=course)


def _factors(text: str, plan: Plan) -> tuple[str, ...]:
    if text.strip() == "?":
        raise InputError("", *(f"  {name}: {plan.factors[name].says}" for name in plan.file.factors))
    names = tuple(part.strip() for part in text.split(",") if part.strip())
    if not names:
        raise InputError(gettext("say `none` if you asked and there are none"))
    return names if names == ("none",) else tuple(factor_named(name, plan) for name in names)


def _zone(given: EnrollmentInput, app: App) -> ZoneInfo:
    try:
        return zone_named(given.course.zone.strip())
    except InputError:
        return app.config.zone
