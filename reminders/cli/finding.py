"""`reminders patients` and `reminders enrollments`: find the ids that other commands want."""

from __future__ import annotations

import click

from reminders.cli.json_output import print_json
from reminders.cli.options import about_to_show, json_option, opened
from reminders.cli.terminal import line, show_rows, table
from reminders.desk.find_people import FoundCourse, FoundPatient, find_courses, find_patients
from reminders.desk.trail import Action
from reminders.words import gettext, shown

_LIMIT = click.option("--limit", type=click.IntRange(1, 1000), default=50, show_default=True, help="At most so many.")


@click.command(
    epilog="""\b
Examples:
  reminders patients
  reminders patients garcia
  reminders patients 555-0123 --json
""",
)
@click.argument("search", required=False, default="")
@_LIMIT
@json_option
@click.pass_context
def patients(ctx: click.Context, search: str, limit: int, as_json: bool) -> None:
    """Find patients whose name, number or address holds SEARCH; the newest first."""
    app = opened(ctx)
    with app.database.reading() as session:
        found = find_patients(session, app.desk, search, limit=limit)
    about_to_show(app, Action.PATIENTS_FIND, *((each.id, "") for each in found))
    if as_json:
        print_json([_patient_as_json(each) for each in found])
    elif not found:
        line(gettext("No patient is found."))
    else:
        show_rows(
            table(
                (gettext("No."), {"justify": "right"}),
                gettext("Name"),
                gettext("Reached at"),
                gettext("Language"),
                gettext("Enrollments"),
            ),
            (
                [
                    str(each.id),
                    each.name,
                    "\n".join(_address(*address) for address in each.addresses),
                    each.language,
                    ", ".join(str(course.id) for course in each.enrollments),
                ]
                for each in found
            ),
        )


@click.command(
    epilog="""\b
Examples:
  reminders enrollments
  reminders enrollments garcia --all
  reminders enrollments 555-0123 --json
""",
)
@click.argument("search", required=False, default="")
@click.option("--all", "ended_too", is_flag=True, help="Those that ended or were cancelled as well.")
@_LIMIT
@json_option
@click.pass_context
def enrollments(ctx: click.Context, search: str, ended_too: bool, limit: int, as_json: bool) -> None:
    """Find courses whose patient's name, number or address holds SEARCH; the newest first."""
    app = opened(ctx)
    with app.database.reading() as session:
        found = find_courses(session, app.desk, search, running_only=not ended_too, limit=limit)
    looks = ((each.course.patient_id, f"enrollment {each.course.id}") for each in found)
    about_to_show(app, Action.PATIENTS_FIND, *looks)
    if as_json:
        print_json([_course_as_json(each) for each in found])
    elif not found:
        line(gettext("No course is found."))
    else:
        show_rows(
            table(
                (gettext("No."), {"justify": "right"}),
                gettext("Patient"),
                (gettext("Day 0"), {"no_wrap": True}),
                gettext("Procedure"),
            ),
            (
                [
                    str(each.course.id),
                    f"{each.name} ({each.course.patient_id})",
                    each.course.procedure_on.isoformat(),
                    each.course.procedure + ("" if each.course.state == "active" else f"\n{shown(each.course.state)}"),
                ]
                for each in found
            ),
        )


def _address(address: str, state: str) -> str:
    return address if state == "active" else f"{address} ({shown(state)})"


def _patient_as_json(each: FoundPatient) -> dict[str, object]:
    return {
        "id": each.id,
        "name": each.name,
        "language": each.language,
        "zone": each.zone,
        "addresses": [{"address": address, "state": state} for address, state in each.addresses],
        "enrollments": [course.id for course in each.enrollments],
    }


def _course_as_json(each: FoundCourse) -> dict[str, object]:
    return {
        "id": each.course.id,
        "patient": each.course.patient_id,
        "name": each.name,
        "procedure": each.course.procedure,
        "procedure_on": each.course.procedure_on.isoformat(),
        "state": each.course.state,
        "enrolled_at": each.course.enrolled_at.isoformat(),
        "enrolled_by": each.course.enrolled_by,
    }
