"""How programs are told of courses, messages, replies, concerns and consents: the one spelling, for `--json` and API.

Names and forms are a contract: they may gain members, and none changes its name or meaning. Times are RFC 3339 with
the patient's offset.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from zoneinfo import ZoneInfo

from reminders.care.timing import as_text
from reminders.desk.chart_record import ChartRecord, CourseSummary
from reminders.desk.concern_list import ListedConcern, SaidByPatient
from reminders.desk.consent import ConsentState, ConsentStep
from reminders.desk.course_facts import as_json as facts_as_json
from reminders.desk.enroll import Enrolled
from reminders.desk.message_list import ListedMessage
from reminders.desk.preview import as_rows
from reminders.desk.replan import Change, Proposal
from reminders.desk.take_reply import Taken


def enrolled_as_json(enrolled: Enrolled, *, stored: bool) -> dict[str, Any]:
    """Return what came of an enrollment; of one that was only tried there are no numbers."""
    rows = as_rows(enrolled.composed)
    return {
        "enrollment": enrolled.enrollment_id if stored else None,
        "patient": enrolled.patient_id if stored else None,
        "stored": stored,
        "warnings": list(enrolled.warnings),
        "say_at_desk": [{"key": row["key"], "text": row["text"]} for row in rows if row["outcome"] == "at_checkout"],
        "messages": rows,
    }


def message_as_json(message: ListedMessage) -> dict[str, Any]:
    """Return a message."""
    zone = message.zone
    return {
        "id": message.id,
        "enrollment": message.enrollment_id,
        "patient": message.patient_id,
        "kind": message.kind,
        "key": message.key,
        "occurrence": message.occurrence,
        "joined_into": message.joined_into,
        "channel": message.channel,
        "address": message.address,
        "state": message.state,
        "planned_at": as_text(message.planned_at, zone),
        "send_at": as_text(message.send_at, zone),
        "useful_until": as_text(message.useful_until, zone),
        "settled_at": as_text(message.settled_at, zone),
        "required": message.required,
        "text": message.text,
        "encoding": message.encoding,
        "segments": message.segments,
        "reasons": [{"rule": reason.rule, "text": reason.text} for reason in message.reasons],
        "attempts": message.attempts,
        "transport": message.transport,
        "transport_ref": message.transport_ref,
        "detail": message.detail,
    }


def proposal_as_json(proposal: Proposal, *, stored: bool) -> dict[str, Any]:
    """Return what becomes of a course planned anew."""
    changes = changes_as_json(proposal.changes, proposal.course.zone)
    return {"enrollment": proposal.enrollment_id, "stored": stored, "changes": changes}


def changes_as_json(changes: Sequence[Change], zone: ZoneInfo) -> list[dict[str, Any]]:
    """Return what becomes of each message."""
    return [
        {
            "key": each.key,
            "occurrence": each.occurrence,
            "what": each.what,
            "before_at": as_text(each.before_at, zone),
            "after_at": as_text(each.after_at, zone),
            "text": each.text,
        }
        for each in changes
    ]


def taken_as_json(taken: Taken, answer: str | None) -> dict[str, Any]:
    """Return what came of a reply; `answer` is the words it was answered with."""
    return {
        "reply": taken.reply_id,
        "new": taken.is_new,
        "label": str(taken.label),
        "signs": list(taken.signs),
        "patient": taken.patient_id,
        "concern": taken.concern_id,
        "answered_with": taken.answered_with,
        "answer": answer,
    }


def concern_as_json(concern: ListedConcern) -> dict[str, Any]:
    """Return a concern with its context and history."""
    zone = concern.zone
    return {
        "id": concern.id,
        "kind": concern.kind,
        "urgency": concern.urgency,
        "state": concern.state,
        "summary": concern.summary,
        "signs": list(concern.signs),
        "opened_at": as_text(concern.opened_at, zone),
        "due_at": as_text(concern.due_at, zone),
        "overdue": concern.is_overdue,
        "taken_by": concern.taken_by,
        "closed_at": as_text(concern.closed_at, zone),
        "outcome": concern.outcome,
        "patient": concern.patient_id,
        "name": concern.patient,
        "enrollment": concern.enrollment_id,
        "reach": [{"channel": each.channel, "address": each.address, "state": each.state} for each in concern.reach],
        "replies": replies_as_json(concern.said, zone),
        "history": [
            {
                "at": as_text(step.at, zone),
                "action": step.action,
                "by": step.by,
                "note": step.note,
                "reply": step.reply_id,
            }
            for step in concern.history
        ],
    }


def summary_as_json(found: CourseSummary) -> dict[str, Any]:
    """Return a course without what was written and done in it."""
    zone, approval = found.zone, found.plan.approval
    return {
        "practice": found.practice,
        "enrollment": found.enrollment_id,
        "patient": {"id": found.patient_id, "name": found.patient},
        "state": found.state,
        "procedure_on": found.procedure_on.isoformat(),
        "enrolled_at": as_text(found.enrolled_at, zone),
        "enrolled_by": found.enrolled_by,
        "ended_at": as_text(found.ended_at, zone),
        "facts": facts_as_json(found.course),
        "plan": {
            "procedure": found.plan.procedure,
            "version": found.plan.version,
            "hash": found.plan.content_hash,
            "approval": approval
            and {
                "approved_by": approval.approved_by,
                "license": approval.license,
                "at": as_text(approval.at, zone),
            },
        },
    }


def record_as_json(found: ChartRecord) -> dict[str, Any]:
    """Return the chart record of a course."""
    zone = found.zone
    return {
        **summary_as_json(found),
        "messages": [message_as_json(each) for each in found.messages],
        "replies": replies_as_json(found.replies, zone),
        "answers": [message_as_json(each) for each in found.answers],
        "concerns": [concern_as_json(each) for each in found.concerns],
        "tasks": [
            {
                "key": each.key,
                "occurrence": each.occurrence,
                "says": each.says,
                "due_at": as_text(each.due_at, zone),
                "state": each.state,
                "concern": each.concern_id,
            }
            for each in found.tasks
        ],
        "consent": _consent_steps(found.consent, zone),
    }


def consents_as_json(found: ConsentState, warnings: Sequence[str], zone: ZoneInfo) -> dict[str, Any]:
    """Return a patient's addresses with the history of their consent; `warnings` are of the address just given."""
    return {
        "patient": found.patient_id,
        "warnings": list(warnings),
        "addresses": [
            {"channel": each.channel, "address": each.address, "state": each.state} for each in found.addresses
        ],
        "history": _consent_steps(found.history, zone),
    }


def replies_as_json(said: Sequence[SaidByPatient], zone: ZoneInfo) -> list[dict[str, Any]]:
    """Return what patients wrote."""
    return [
        {
            "id": each.reply_id,
            "received_at": as_text(each.received_at, zone),
            "channel": each.channel,
            "from": each.sender,
            "text": each.text,
            "label": each.label,
            "signs": list(each.signs),
        }
        for each in said
    ]


def _consent_steps(history: Sequence[ConsentStep], zone: ZoneInfo) -> list[dict[str, Any]]:
    return [
        {
            "at": as_text(each.at, zone),
            "action": each.action,
            "channel": each.channel,
            "address": each.address,
            "source": each.source,
            "by": each.recorded_by,
            "wording": each.wording,
        }
        for each in history
    ]
