"""What a plan would send for given facts; needs no database and changes nothing."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from reminders.care.quiet_hours import QuietHours
from reminders.care.schedule import Circumstances
from reminders.desk.composing import Composed, ComposedCourse, House, compose
from reminders.desk.course_facts import CourseInput, read_course
from reminders.desk.plans import ReadyPlan
from reminders.errors import InputError


def preview(
    ready: ReadyPlan, given: CourseInput, house: House, *, first_name: str = "", region: str = "US"
) -> ComposedCourse:
    """Return every message of a course enrolled at the end of its procedure; raises InputError."""
    course = read_course(given, ready.plan, region=region)
    return compose(ready, course, Circumstances(not_before=course.procedure_end), house, first_name=first_name)


def with_quiet_hours(house: House, text: str) -> House:
    """Return the house with other quiet hours (`21:00-08:00`, or `none`); raises InputError."""
    intervals = () if text.strip().lower() == "none" else tuple(text.split(","))
    try:
        quiet = QuietHours.every_day(*intervals)
    except ValueError as error:
        raise InputError(str(error)) from None
    return replace(house, rules=replace(house.rules, quiet=quiet))


def as_rows(composed: ComposedCourse) -> list[dict[str, Any]]:
    """Return the messages as plain values for JSON, times with the patient's offset."""
    zone = composed.resolved.course.zone
    return [_as_row(message, zone) for message in composed.messages]


def _as_row(message: Composed, zone: ZoneInfo) -> dict[str, Any]:
    joined, rendered = message.joined, message.rendered
    first = joined.first
    return {
        "key": first.key,
        "occurrence": first.occurrence,
        "merged": [member.key for member in joined.members[1:]],
        "channel": str(first.channel),
        "planned_at": _local(first.planned_at, zone),
        "send_at": _local(joined.send_at, zone),
        "useful_until": _local(joined.useful_until, zone),
        "outcome": str(joined.outcome),
        "required": joined.required,
        "reasons": [{"rule": reason.rule, "text": reason.text} for reason in joined.reasons],
        "subject": rendered.subject,
        "text": rendered.text,
        "encoding": rendered.encoding,
        "segments": rendered.segments,
        "asks": joined.asks and str(joined.asks),
        "members": [
            {"key": each.key, "occurrence": each.occurrence, "planned_at": _local(each.planned_at, zone)}
            for each in joined.members
        ],
    }


def _local(instant: datetime, zone: ZoneInfo) -> str:
    return instant.astimezone(zone).isoformat()
