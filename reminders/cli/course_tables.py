"""A course as a person reads it in a terminal: a table day by day, and the sheet to take home."""

from __future__ import annotations

from datetime import datetime
from itertools import groupby
from pathlib import Path

import click
from rich.text import Text

from reminders.care.staff_tasks import due_tasks
from reminders.care.timing import course_day
from reminders.care.values import Outcome
from reminders.cli.terminal import line, short_when, show_rows, table
from reminders.desk.composing import Composed, ComposedCourse
from reminders.errors import InputError
from reminders.exchange.pdf import as_pdf
from reminders.wording.sheet import Sheet, as_html, as_text
from reminders.words import gettext, marked, on_day, retold

_OUTCOMES = {
    Outcome.SCHEDULED: ("", ""),
    Outcome.AT_CHECKOUT: (marked("say at the desk"), "bold yellow"),
    Outcome.WITHHELD: (marked("not sent"), "dim"),
}


def show_course(composed: ComposedCourse) -> None:
    """Print the messages day by day with their words and reasons."""
    course = composed.resolved.course
    line(f"{composed.resolved.plan.title}  ({course.zone.key})", style="bold")

    def day_of(message: Composed) -> int:
        return course_day(message.joined.send_at, procedure_end=course.procedure_end, zone=course.zone)

    for day, messages in groupby(composed.messages, key=day_of):
        found = list(messages)
        date = found[0].joined.send_at.astimezone(course.zone)
        columns = (
            (gettext("At"), {"no_wrap": True}),
            (gettext("What"), {"max_width": 16}),
            (gettext("Words"), {"ratio": 5}),
            (gettext("Why then"), {"ratio": 3}),
        )
        title = gettext("Day {day}, {date}", day=day, date=on_day(date, "EEE d MMM y"))
        show_rows(table(*columns, title=title, expand=True), (_cells(message, composed) for message in found))
    _show_tasks(composed)
    _show_totals(composed)


def _cells(message: Composed, composed: ComposedCourse) -> tuple[Text, Text, Text, Text]:
    joined = message.joined
    label, style = _OUTCOMES[joined.outcome]
    local = joined.send_at.astimezone(composed.resolved.course.zone)
    what = Text("\n".join(member.key.replace("_", " ") for member in joined.members))
    if label:
        what.append("\n" + gettext(label), style=style)
    why = Text("\n".join(retold(reason.text) for reason in joined.reasons))
    return Text(f"{local:%H:%M}"), what, Text(message.rendered.text), why


def _show_tasks(composed: ComposedCourse) -> None:
    """Print what staff see to, which no patient gets."""
    course = composed.resolved.course

    def moment(at: datetime) -> str:
        day = course_day(at, procedure_end=course.procedure_end, zone=course.zone)
        return gettext("Day {day}, {date}", day=day, date=short_when(at, course.zone))

    rows = [(moment(task.due_at), task.says) for task in due_tasks(composed.resolved)]
    if rows:
        title = gettext("For staff: becomes a concern on its day")
        columns = ((gettext("At"), {"no_wrap": True}), (gettext("Task"), {"ratio": 1}))
        show_rows(table(*columns, title=title, expand=True), rows)


def _show_totals(composed: ComposedCourse) -> None:
    sent = [message for message in composed.messages if message.joined.outcome is Outcome.SCHEDULED]
    segments = sum(message.rendered.segments for message in sent)
    spoken = sum(message.joined.outcome is Outcome.AT_CHECKOUT for message in composed.messages)
    withheld = sum(message.joined.outcome is Outcome.WITHHELD for message in composed.messages)
    said = gettext(
        "{count} messages, {segments} SMS segments; {spoken} said at the desk, {withheld} not sent.",
        count=len(sent),
        segments=segments,
        spoken=spoken,
        withheld=withheld,
    )
    line(said)


def show_sheet(sheet: Sheet, shared: Path, output: Path | None) -> None:
    """Print the sheet that the patient takes home, or write it to a file as its name's ending says."""
    if output is None:
        click.echo(as_text(sheet, shared), nl=False)
        return
    match output.suffix.lower():
        case ".html":
            output.write_text(as_html(sheet, shared), "utf-8")
        case ".pdf":
            output.write_bytes(as_pdf(as_html(sheet, shared)))
        case ".txt":
            output.write_text(as_text(sheet, shared), "utf-8")
        case _:
            raise InputError(gettext("{file}: a sheet is written as .html, .pdf or .txt", file=output.name))
    click.echo(gettext("wrote {file}", file=output), err=True)
