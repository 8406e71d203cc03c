"""The sheet for a patient's course: what is said at the desk, when to call, and every message day by day."""

from __future__ import annotations

from reminders.care.timing import course_day, local_day
from reminders.care.values import Channel, Outcome
from reminders.desk.composing import ComposedCourse, House
from reminders.wording.sheet import Sheet, SheetStep

WARNING_SIGNS = "warning_signs"
"""The instruction whose words stand in the sheet's box on when to call."""


def sheet_of(composed: ComposedCourse, house: House, *, first_name: str) -> Sheet:
    """Return the sheet of a course; its texts are those of the messages, without the frame around them."""
    course = composed.resolved.course
    now: dict[str, None] = {}
    signs = ""
    steps: list[SheetStep] = []
    numbers: dict[str, int] = {}
    for message in composed.messages:
        joined = message.joined
        for member in joined.members:
            text = composed.words.body(member)
            if member.key == WARNING_SIGNS and not signs:
                signs = text
            if joined.outcome is Outcome.AT_CHECKOUT and member.key != WARNING_SIGNS:
                now[text] = None
            if joined.outcome is not Outcome.SCHEDULED:
                continue
            is_new = text not in numbers
            number = numbers.setdefault(text, len(numbers) + 1)
            steps.append(
                SheetStep(
                    number=number,
                    text=text if is_new else None,
                    at=joined.send_at.astimezone(course.zone),
                    day=course_day(joined.send_at, procedure_end=course.procedure_end, zone=course.zone),
                )
            )
    return Sheet(
        language=course.language,
        first_name=first_name,
        sender=house.sender,
        treated_on=local_day(course.procedure_end, course.zone),
        now=tuple(now),
        signs=signs,
        steps=tuple(steps),
        by_email=course.channel is Channel.EMAIL,
    )
