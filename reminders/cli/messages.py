"""`reminders messages`: what a course sent and will send, or what is due in the whole practice."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Any

import click
from rich.text import Text

from reminders.cli.json_output import print_json
from reminders.cli.options import about_to_show, json_option, opened
from reminders.cli.terminal import line, short_when, show_rows, table
from reminders.desk.message_list import ListedMessage, list_messages
from reminders.desk.shapes import message_as_json
from reminders.desk.trail import Action
from reminders.errors import InputError
from reminders.records.finding import MessageFilter
from reminders.records.message_states import MessageState
from reminders.words import gettext, marked, retold

_STYLES = {
    MessageState.SENT: "green",
    MessageState.DELIVERED: "green",
    MessageState.FAILED: "bold red",
    MessageState.UNCERTAIN: "bold red",
    MessageState.AT_CHECKOUT: "bold yellow",
    MessageState.WITHHELD: "dim",
    MessageState.CANCELLED: "dim",
    MessageState.JOINED: "dim",
}
_STATE_WORDS = {
    MessageState.SCHEDULED: marked("scheduled"),
    MessageState.SENDING: marked("sending"),
    MessageState.SENT: marked("sent"),
    MessageState.DELIVERED: marked("delivered"),
    MessageState.FAILED: marked("failed"),
    MessageState.UNCERTAIN: marked("uncertain: may be out"),
    MessageState.WITHHELD: marked("withheld"),
    MessageState.CANCELLED: marked("cancelled"),
    MessageState.JOINED: marked("joined"),
    MessageState.AT_CHECKOUT: marked("said at the desk"),
}


@click.command(
    epilog="""\b
Examples:
  reminders messages 12
  reminders messages 12 --why
  reminders messages --due
  reminders messages --state uncertain --state failed --json
""",
)
@click.argument("enrollment", type=int, required=False)
@click.option("--due", is_flag=True, help="What waits although its moment has come.")
@click.option("--state", "states", multiple=True, metavar="STATE", help="Only in this state; repeatable.")
@click.option("--why", is_flag=True, help="Show the rules that made each message what it is.")
@click.option("--limit", type=click.IntRange(1, 100_000), default=500, show_default=True, help="At most so many.")
@json_option
@click.pass_context
def messages(
    ctx: click.Context,
    enrollment: int | None,
    due: bool,
    states: tuple[str, ...],
    why: bool,
    limit: int,
    as_json: bool,
) -> None:
    """List the messages of ENROLLMENT, or of the whole practice with --due or --state.

    Times are by the patient's clock.
    """
    if enrollment is None and not due and not states:
        raise InputError(
            gettext("name an enrollment, or say --due or --state; `reminders enrollments` lists the enrollments")
        )
    app = opened(ctx)
    now = app.clock.now()
    wanted = MessageFilter(enrollment_id=enrollment, states=states, due_by=now if due else None, limit=limit)
    with app.database.reading() as session:
        found = list_messages(session, app.desk, wanted)
    about = f"enrollment {enrollment}" if enrollment is not None else ""
    about_to_show(app, Action.MESSAGES_SEE, *((each.patient_id, about) for each in found))
    if as_json:
        print_json([message_as_json(each) for each in found])
    elif not found:
        line(gettext("Nothing is due.") if due else gettext("There are no such messages."))
    else:
        show_messages(found, why=why, with_patient=enrollment is None)
        if len(found) == limit:
            line(gettext("The first {number}; say --limit for more.", number=limit), style="dim")


def show_messages(found: Sequence[ListedMessage], *, why: bool, with_patient: bool) -> None:
    """Print messages as a table in send order; what is said within another message stands with it."""
    columns: list[str | tuple[str, dict[str, Any]]] = [
        (gettext("When"), {"no_wrap": True}),
        (gettext("What"), {"max_width": 20}),
        (gettext("Words"), {"ratio": 3}),
    ]
    if with_patient:
        columns.insert(1, (gettext("Who"), {"min_width": 8}))
    if why:
        columns.append((gettext("Why then"), {"ratio": 2}))
    show_rows(table(*columns), (_cells(each, why=why, with_patient=with_patient) for each in found))
    totals = {state: len(list(same)) for state, same in groupby(sorted(each.state for each in found))}
    shown = (f"{count} {gettext(_STATE_WORDS[MessageState(state)])}" for state, count in totals.items())
    line(", ".join(shown) + ".", style="dim")


def _cells(message: ListedMessage, *, why: bool, with_patient: bool) -> list[str | Text]:
    name = message.key.replace("_", " ")
    what = f"{name} {message.occurrence}" if message.occurrence > 1 else name
    state = MessageState(message.state)
    words = message.text or _within(message.joined_into)
    said = Text(words)
    if message.detail:
        detail = retold(message.detail)
        said.append(f"\n{detail}" if words else detail, style="yellow")
    cells: list[str | Text] = [
        short_when(message.send_at, message.zone),
        Text(what + "\n").append(gettext(_STATE_WORDS[state]), style=_STYLES.get(state, "")),
        said,
    ]
    if with_patient:
        who = f"{message.patient} ({message.enrollment_id})" if message.enrollment_id else message.patient
        cells.insert(1, who or message.kind)
    if why:
        cells.append("\n".join(retold(reason.text) for reason in message.reasons))
    return cells


def _within(host: str | None) -> str:
    return gettext("within {message}", message=host.replace("_", " ")) if host else ""
