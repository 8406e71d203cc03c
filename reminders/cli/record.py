"""`reminders record`: what belongs into the chart about one course."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import click

from reminders.cli.concerns import concern_as_json
from reminders.cli.json_output import print_json
from reminders.cli.messages import message_as_json, show_messages
from reminders.cli.options import json_option, opened
from reminders.cli.terminal import as_text, line, short_when, show_rows, table, when
from reminders.desk.chart_record import ChartRecord, chart_record
from reminders.desk.course_facts import as_json as facts_as_json
from reminders.desk.staff_tasks import TaskOfCourse


@click.command(epilog="\b\nExamples:\n  reminders record 12\n  reminders record 12 --json > record.json\n")
@click.argument("enrollment", type=int)
@json_option
@click.pass_context
def record(ctx: click.Context, enrollment: int, as_json: bool) -> None:
    """Print the chart record of ENROLLMENT.

    Facts, plan and approval, every message that was planned, sent or withheld and why, replies, concerns with their
    history, and the consent history. Times are by the patient's clock.
    """
    app = opened(ctx)
    with app.database.reading() as session:
        found = chart_record(session, app.desk, enrollment)
    if as_json:
        print_json(_as_json(found))
    else:
        _show(found)


def _show(found: ChartRecord) -> None:
    zone = found.zone
    line(
        f"{found.practice}: course {found.enrollment_id} of {found.patient} (patient {found.patient_id})", style="bold"
    )
    show_rows(table("Fact", ("Value", {"ratio": 1})), _fact_rows(found))
    _heading("Messages")
    show_messages(found.messages, why=True, with_patient=False)
    _heading("Replies and answers")
    exchanged = [(each.received_at, "patient", each.text, _read_as(each.label, each.signs)) for each in found.replies]
    exchanged += [(each.send_at, "answer", each.text, each.state) for each in found.answers]
    show_rows(
        table(("When", {"no_wrap": True}), "Who", ("Words", {"ratio": 2}), ("Read as, state", {"ratio": 1})),
        (
            [short_when(at, zone), who, text, note]
            for at, who, text, note in sorted(exchanged, key=lambda each: each[0])
        ),
    )
    _heading("Concerns")
    show_rows(
        table(("When", {"no_wrap": True}), "Concern", "What", "By", ("Note", {"ratio": 1})),
        (
            [short_when(step.at, zone), f"{each.id} ({each.urgency})", step.action, step.by, step.note or each.summary]
            for each in found.concerns
            for step in each.history
        ),
    )
    if found.tasks:
        _heading("Tasks for staff")
        show_rows(
            table(("On", {"no_wrap": True}), "State", ("Task", {"ratio": 1})),
            ([short_when(each.due_at, zone), _state_of(each), each.says] for each in found.tasks),
        )
    _heading("Consent")
    show_rows(
        table(("When", {"no_wrap": True}), "What", "Address", "By", ("Words", {"ratio": 1})),
        (
            [short_when(each.at, zone), each.action, each.address, each.recorded_by, each.wording]
            for each in found.consent
        ),
    )


def _state_of(task: TaskOfCourse) -> str:
    return task.state if task.concern_id is None else f"concern {task.concern_id}"


def _heading(text: str) -> None:
    line()
    line(text, style="bold")


def _read_as(label: str, signs: tuple[str, ...]) -> str:
    named = ", ".join(sign.replace("_", " ") for sign in signs)
    return f"{label.replace('_', ' ')}: {named}" if named else label.replace("_", " ")


def _fact_rows(found: ChartRecord) -> list[tuple[str, str]]:
    course, zone, approval = found.course, found.zone, found.plan.approval
    moments = (
        ("Block placed", course.block_placed),
        ("Dressing applied", course.dressing_applied),
        ("Return visit", course.visit),
    )
    rows = [
        ("State", found.state if found.ended_at is None else f"{found.state}, {when(found.ended_at, zone)}"),
        ("Plan", f"{found.plan.procedure}, version {found.plan.version}"),
        ("Content", found.plan.content_hash),
        (
            "Approved by",
            _approved(approval.approved_by, approval.license, when(approval.at, zone)) if approval else "nobody",
        ),
        ("Enrolled", f"{when(found.enrolled_at, zone)} by {found.enrolled_by}"),
        ("Procedure ended", f"{when(course.procedure_end, zone)} ({zone.key})"),
        *((name, when(moment, zone)) for name, moment in moments if moment),
        ("Language", course.language),
        ("Written to by", f"{course.channel}, {'also' if course.night_contact_agreed else 'not'} at night"),
        ("Patient factors", ", ".join(sorted(course.factors)) or "none"),
        ("Settings", ", ".join(f"{name} = {value}" for name, value in course.settings.items()) or "as the plan says"),
    ]
    return [*rows, ("Site", course.site)] if course.site else rows


def _approved(name: str, license_number: str, at: str) -> str:
    return f"{name}, licence {license_number}, {at}"


def _as_json(found: ChartRecord) -> dict[str, Any]:
    zone = found.zone

    def at(instant: datetime | None) -> str | None:
        return as_text(instant, zone)

    approval = found.plan.approval
    return {
        "practice": found.practice,
        "enrollment": found.enrollment_id,
        "patient": {"id": found.patient_id, "name": found.patient},
        "state": found.state,
        "procedure_on": found.procedure_on.isoformat(),
        "enrolled_at": at(found.enrolled_at),
        "enrolled_by": found.enrolled_by,
        "ended_at": at(found.ended_at),
        "facts": facts_as_json(found.course),
        "plan": {
            "procedure": found.plan.procedure,
            "version": found.plan.version,
            "hash": found.plan.content_hash,
            "approval": approval
            and {"approved_by": approval.approved_by, "license": approval.license, "at": at(approval.at)},
        },
        "messages": [message_as_json(each) for each in found.messages],
        "replies": [
            {
                "id": each.reply_id,
                "received_at": at(each.received_at),
                "channel": each.channel,
                "from": each.sender,
                "text": each.text,
                "label": each.label,
                "signs": list(each.signs),
            }
            for each in found.replies
        ],
        "answers": [message_as_json(each) for each in found.answers],
        "concerns": [concern_as_json(each) for each in found.concerns],
        "tasks": [
            {
                "key": each.key,
                "occurrence": each.occurrence,
                "says": each.says,
                "due_at": at(each.due_at),
                "state": each.state,
                "concern": each.concern_id,
            }
            for each in found.tasks
        ],
        "consent": [
            {
                "at": at(each.at),
                "action": each.action,
                "channel": each.channel,
                "address": each.address,
                "source": each.source,
                "by": each.recorded_by,
                "wording": each.wording,
            }
            for each in found.consent
        ],
    }
