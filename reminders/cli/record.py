"""`reminders record`: what belongs into the chart about one course."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from reminders.care.values import Course
from reminders.cli.consenting import show_consent_history
from reminders.cli.json_output import print_json
from reminders.cli.messages import show_messages
from reminders.cli.options import about_to_show, json_option, opened
from reminders.cli.terminal import line, short_when, show_rows, table, when
from reminders.desk.chart_record import ChartRecord, chart_record
from reminders.desk.shapes import record_as_json
from reminders.desk.staff_tasks import TaskOfCourse
from reminders.desk.trail import Action
from reminders.errors import InputError
from reminders.words import gettext, marked, shown, shown_all

EXAMPLES = """\b
Examples:
  reminders record 12
  reminders record 12 --json > record.json
  reminders record 12 --fhir > bundle.json
  reminders record 12 --output record.pdf
"""


@click.command(epilog=EXAMPLES)
@click.argument("enrollment", type=int)
@click.option("--fhir", "as_fhir", is_flag=True, help="Print a bundle of HL7 FHIR R4, for another chart to take in.")
@click.option(
    "--output",
    "-o",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write one page to a file: .html or .pdf by its name.",
)
@json_option
@click.pass_context
def record(ctx: click.Context, enrollment: int, as_fhir: bool, output: Path | None, as_json: bool) -> None:
    """Print the chart record of ENROLLMENT.

    Facts, plan and approval, every message that was planned, sent or withheld and why, replies, concerns with their
    history, and the consent history. Times are by the patient's clock.
    """
    if as_json + as_fhir + (output is not None) > 1:
        raise click.UsageError(gettext("choose one of --json, --fhir and --output"))
    app = opened(ctx)
    with app.database.reading() as session:
        found = chart_record(session, app.desk, enrollment)
    about_to_show(app, Action.RECORD_SEE, (found.patient_id, f"enrollment {enrollment}"))
    if as_json:
        print_json(record_as_json(found))
    elif as_fhir:
        from reminders.desk.record_as_fhir import record_as_fhir  # noqa: PLC0415  the others need none of it

        print_json(record_as_fhir(app.desk, found))
    elif output is not None:
        _write(found, output, made_at=app.clock.now())
    else:
        _show(found)


def _write(found: ChartRecord, output: Path, *, made_at: datetime) -> None:
    from reminders.desk.record_page import record_page  # noqa: PLC0415  as above
    from reminders.exchange.pdf import as_pdf  # noqa: PLC0415

    ending = output.suffix.lower()
    if ending not in {".html", ".pdf"}:
        raise InputError(gettext("{file}: a record is written as .html or .pdf", file=output.name))
    output.touch(mode=0o600)
    page = record_page(found, made_at=made_at)
    if ending == ".html":
        output.write_text(page, "utf-8")
    else:
        output.write_bytes(as_pdf(page))
    click.echo(gettext("wrote {file}; it holds personal data", file=output), err=True)


def _show(found: ChartRecord) -> None:
    said = gettext(
        "{practice}: course {enrollment} of {name} (patient {patient})",
        practice=found.practice,
        enrollment=found.enrollment_id,
        name=found.patient,
        patient=found.patient_id,
    )
    line(said, style="bold")
    show_rows(table(gettext("Fact"), (gettext("Value"), {"ratio": 1})), _fact_rows(found))
    _heading(gettext("Messages"))
    show_messages(found.messages, why=True, with_patient=False)
    _show_exchanged(found)
    _show_concerns(found)
    _show_tasks(found)
    _heading(gettext("Consent"))
    show_consent_history(found.consent, found.zone)


def _show_exchanged(found: ChartRecord) -> None:
    _heading(gettext("Replies and answers"))
    exchanged = [
        (each.received_at, gettext("patient"), each.text, _read_as(each.label, each.signs)) for each in found.replies
    ]
    exchanged += [(each.send_at, gettext("answer"), each.text, gettext(each.state)) for each in found.answers]
    show_rows(
        table(
            (gettext("When"), {"no_wrap": True}),
            gettext("Who"),
            (gettext("Words"), {"ratio": 2}),
            (gettext("Read as, state"), {"ratio": 1}),
        ),
        (
            [short_when(at, found.zone), who, text, note]
            for at, who, text, note in sorted(exchanged, key=lambda each: each[0])
        ),
    )


def _show_concerns(found: ChartRecord) -> None:
    _heading(gettext("Concerns"))
    show_rows(
        table(
            (gettext("When"), {"no_wrap": True}),
            gettext("Concern"),
            gettext("What"),
            gettext("By"),
            (gettext("Note"), {"ratio": 1}),
        ),
        (
            [
                short_when(step.at, found.zone),
                f"{each.id} ({gettext(each.urgency)})",
                gettext(step.action),
                step.by,
                step.told or each.told,
            ]
            for each in found.concerns
            for step in each.history
        ),
    )


def _show_tasks(found: ChartRecord) -> None:
    if not found.tasks:
        return
    _heading(gettext("Tasks for staff"))
    show_rows(
        table((gettext("On"), {"no_wrap": True}), gettext("State"), (gettext("Task"), {"ratio": 1})),
        ([short_when(each.due_at, found.zone), _state_of(each), each.says] for each in found.tasks),
    )


def _state_of(task: TaskOfCourse) -> str:
    return gettext(task.state) if task.concern_id is None else gettext("concern {id}", id=task.concern_id)


def _heading(text: str) -> None:
    line()
    line(text, style="bold")


def _read_as(label: str, signs: tuple[str, ...]) -> str:
    named = shown_all(signs)
    return f"{shown(label)}: {named}" if named else shown(label)


def _fact_rows(found: ChartRecord) -> list[tuple[str, str]]:
    zone = found.zone
    state = gettext(found.state)
    plan = gettext("{procedure}, version {version}", procedure=found.plan.procedure, version=found.plan.version)
    enrolled = gettext("{moment} by {name}", moment=when(found.enrolled_at, zone), name=found.enrolled_by)
    return [
        (gettext("State"), state if found.ended_at is None else f"{state}, {when(found.ended_at, zone)}"),
        (gettext("Plan"), plan),
        (gettext("Content"), found.plan.content_hash),
        (gettext("Approved by"), _approved(found)),
        (gettext("Enrolled"), enrolled),
        *_course_rows(found.course, zone),
    ]


def _course_rows(course: Course, zone: ZoneInfo) -> list[tuple[str, str]]:
    moments = (
        (gettext("Block placed"), course.block_placed),
        (gettext("Dressing applied"), course.dressing_applied),
        (gettext("Return visit"), course.visit),
    )
    at_night, not_at_night = marked("{channel}, also at night"), marked("{channel}, not at night")
    written = gettext(at_night if course.night_contact_agreed else not_at_night, channel=course.channel)
    settings = ", ".join(f"{name} = {value}" for name, value in course.settings.items())
    rows = [
        (gettext("Procedure ended"), f"{when(course.procedure_end, zone)} ({zone.key})"),
        *((name, when(moment, zone)) for name, moment in moments if moment),
        (gettext("Language"), course.language),
        (gettext("Written to by"), written),
        (gettext("Patient factors"), ", ".join(sorted(course.factors)) or gettext("none")),
        (gettext("Settings"), settings or gettext("as the plan says")),
    ]
    return [*rows, (gettext("Site"), course.site)] if course.site else rows


def _approved(found: ChartRecord) -> str:
    approval = found.plan.approval
    if approval is None:
        return gettext("nobody")
    return gettext(
        "{name}, licence {license}, {moment}",
        name=approval.approved_by,
        license=approval.license,
        moment=when(approval.at, found.zone),
    )
