"""`reminders concerns`: what a person must deal with, most urgent first; take it, note, close it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import click
from rich.text import Text

from reminders.cli.json_output import print_json
from reminders.cli.options import about_to_show, acting, by_option, json_option, opened
from reminders.cli.terminal import console, line, short_when, show_rows, table
from reminders.desk.concern_list import ListedConcern, concern_with_context, list_concerns
from reminders.desk.concerns import (
    OUTCOMES,
    CallBack,
    close_concern,
    give_back,
    hand_over,
    note_on_concern,
    record_call,
    reopen_concern,
    take_concern,
)
from reminders.desk.shapes import concern_as_json
from reminders.desk.trail import Action
from reminders.words import gettext, marked, ngettext, shown

_STYLES = {"emergency": "bold white on red", "urgent": "bold red", "routine": "yellow"}


@click.group(
    invoke_without_command=True,
    epilog="""\b
Examples:
  reminders concerns
  reminders concerns --all --json
  reminders concerns show 3
  reminders concerns take 3 --by "N. Nurse"
  reminders concerns note 3 --by "N. Nurse" "No answer, tries again at 14:00"
  reminders concerns close 3 --by "N. Nurse" --outcome reached --note "Comes in at 16:00"
""",
)
@click.option("--all", "closed_too", is_flag=True, help="The closed ones as well.")
@json_option
@click.pass_context
def concerns(ctx: click.Context, closed_too: bool, as_json: bool) -> None:
    """List what a person must deal with, most urgent first, with whom to call and what they wrote."""
    if ctx.invoked_subcommand is not None:
        return
    app = opened(ctx)
    with app.database.reading() as session:
        found = list_concerns(session, app.desk, closed_too=closed_too)
    about_to_show(app, Action.CONCERN_SEE, *((each.patient_id, f"concern {each.id}") for each in found))
    if as_json:
        print_json([concern_as_json(each) for each in found])
    elif not found:
        line(gettext("No concern is open."))
    else:
        show_concerns(found, app.clock.now())


@concerns.command(epilog="\b\nExample:\n  reminders concerns show 3\n")
@click.argument("concern", type=int)
@json_option
@click.pass_context
def show(ctx: click.Context, concern: int, as_json: bool) -> None:
    """Show CONCERN with its whole history."""
    _report(ctx, concern, as_json=as_json)


@concerns.command(epilog='\b\nExample:\n  reminders concerns take 3 --by "N. Nurse"\n')
@click.argument("concern", type=int)
@by_option
@json_option
@click.pass_context
def take(ctx: click.Context, concern: int, by: str | None, as_json: bool) -> None:
    """Take CONCERN, so that nobody else works on it."""
    app = opened(ctx)
    with app.database.writing() as session:
        take_concern(session, app.desk, concern, by=acting(by))
    _report(ctx, concern, as_json=as_json)


@concerns.command(epilog='\b\nExample:\n  reminders concerns note 3 --by "N. Nurse" "No answer"\n')
@click.argument("concern", type=int)
@click.argument("text")
@by_option
@json_option
@click.pass_context
def note(ctx: click.Context, concern: int, text: str, by: str | None, as_json: bool) -> None:
    """Add TEXT to the history of CONCERN."""
    app = opened(ctx)
    with app.database.writing() as session:
        note_on_concern(session, app.desk, concern, by=acting(by), note=text)
    _report(ctx, concern, as_json=as_json)


@concerns.command(epilog='\b\nExample:\n  reminders concerns call 3 --by "N. Nurse" --outcome left_voicemail\n')
@click.argument("concern", type=int)
@click.option("--outcome", required=True, metavar="OUTCOME", help=f"How the call went: {', '.join(OUTCOMES)}.")
@click.option("--note", "text", default="", metavar="TEXT", help="What else is to be known.")
@by_option
@json_option
@click.pass_context
def call(ctx: click.Context, concern: int, outcome: str, text: str, by: str | None, as_json: bool) -> None:
    """Note how a call about CONCERN went when it is not done yet; it stays yours."""
    app = opened(ctx)
    with app.database.writing() as session:
        record_call(session, app.desk, concern, CallBack(outcome=outcome, note=text), by=acting(by))
    _report(ctx, concern, as_json=as_json)


@concerns.command(
    epilog='\b\nExample:\n  reminders concerns close 3 --by "N. Nurse" --outcome reached --note "Comes in at 16:00"\n'
)
@click.argument("concern", type=int)
@click.option("--outcome", required=True, metavar="OUTCOME", help=f"How it ended: {', '.join(OUTCOMES)}.")
@click.option("--note", "text", default="", metavar="TEXT", help="What else is to be known.")
@by_option
@json_option
@click.pass_context
def close(ctx: click.Context, concern: int, outcome: str, text: str, by: str | None, as_json: bool) -> None:
    """Close CONCERN with how the call-back ended."""
    app = opened(ctx)
    with app.database.writing() as session:
        close_concern(session, app.desk, concern, CallBack(outcome=outcome, note=text), by=acting(by))
    _report(ctx, concern, as_json=as_json)


@concerns.command(
    "hand-over", epilog='\b\nExample:\n  reminders concerns hand-over 3 --to "D. Doctor" --by "N. Nurse"\n'
)
@click.argument("concern", type=int)
@click.option("--to", required=True, metavar="NAME", help="Who has it from now on.")
@by_option
@json_option
@click.pass_context
def hand_over_command(ctx: click.Context, concern: int, to: str, by: str | None, as_json: bool) -> None:
    """Give CONCERN, that you have or nobody has, to somebody else."""
    app = opened(ctx)
    with app.database.writing() as session:
        hand_over(session, app.desk, concern, to=to, by=acting(by))
    _report(ctx, concern, as_json=as_json)


@concerns.command(
    "give-back", epilog='\b\nExample:\n  reminders concerns give-back 3 --by "N. Nurse" --note "called away"\n'
)
@click.argument("concern", type=int)
@click.option("--note", "text", default="", metavar="TEXT", help="Why.")
@by_option
@json_option
@click.pass_context
def give_back_command(ctx: click.Context, concern: int, text: str, by: str | None, as_json: bool) -> None:
    """Let go of CONCERN, so that it waits for anybody; the people on duty are told again."""
    app = opened(ctx)
    with app.database.writing() as session:
        give_back(session, app.desk, concern, by=acting(by), note=text)
    _report(ctx, concern, as_json=as_json)


@concerns.command(epilog='\b\nExample:\n  reminders concerns reopen 3 --by "N. Nurse" --note "called again"\n')
@click.argument("concern", type=int)
@click.option("--note", "text", required=True, metavar="TEXT", help="Why.")
@by_option
@json_option
@click.pass_context
def reopen(ctx: click.Context, concern: int, text: str, by: str | None, as_json: bool) -> None:
    """Open the closed CONCERN again; it is due anew from now."""
    app = opened(ctx)
    with app.database.writing() as session:
        reopen_concern(session, app.desk, concern, by=acting(by), note=text)
    _report(ctx, concern, as_json=as_json)


def _report(ctx: click.Context, concern: int, *, as_json: bool) -> None:
    app = opened(ctx)
    with app.database.reading() as session:
        found = concern_with_context(session, app.desk, concern)
    about_to_show(app, Action.CONCERN_SEE, (found.patient_id, f"concern {concern}"))
    if as_json or ctx.find_root().params.get("as_json"):
        print_json(concern_as_json(found))
        return
    _show_concern(found, app.clock.now())
    show_rows(
        table((gettext("When"), {"no_wrap": True}), gettext("What"), gettext("By"), (gettext("Note"), {"ratio": 1})),
        ([short_when(step.at, found.zone), shown(step.action), step.by, step.told] for step in found.history),
    )


def show_concerns(found: Sequence[ListedConcern], now: datetime) -> None:
    """Print concerns one below the other, so that the words of the patient have room."""
    for each in found:
        _show_concern(each, now)
        line()
    waiting = sum(each.state == "open" for each in found)
    overdue = sum(each.is_overdue for each in found)
    said = gettext(
        "{shown} shown: {waiting} that nobody took, {overdue} overdue.",
        shown=len(found),
        waiting=waiting,
        overdue=overdue,
    )
    line(said, style="bold")


def _show_concern(concern: ListedConcern, now: datetime) -> None:
    console().print(_headline(concern, now))
    line(f"  {concern.patient or gettext('Nobody known')}: {_reach(concern)}")
    line(f"  {concern.told}")
    for reply in concern.said:
        said = " ".join(reply.text.split())
        line(Text(f"  {short_when(reply.received_at, concern.zone)}  “{said[:300]}”", style="italic"))


def _headline(concern: ListedConcern, now: datetime) -> Text:
    text = Text()
    text.append(f" {gettext(concern.urgency).upper()} ", style=_STYLES.get(concern.urgency, ""))
    text.append(" " + gettext("concern {id}", id=concern.id), style="bold")
    if concern.enrollment_id:
        text.append(", " + gettext("enrollment {id}", id=concern.enrollment_id))
    if concern.state == "closed":
        text.append(", " + gettext("closed: {outcome}", outcome=shown(concern.outcome or "")), style="dim")
        return text
    taken = gettext("taken by {name}", name=concern.taken_by) if concern.taken_by else gettext("nobody took it")
    text.append(", " + taken)
    style = "bold red" if concern.is_overdue else ""
    text.append(f", {_clock(concern.due_at - now)}", style=style)
    text.append(f" ({short_when(concern.due_at, concern.zone)})")
    return text


def _clock(left: timedelta) -> str:
    minutes = int(abs(left).total_seconds() // 60)
    if minutes < 120:
        length = gettext("{number} min", number=minutes)
    elif minutes < 2880:
        length = gettext("{number} h", number=minutes // 60)
    else:
        length = ngettext("{number} day", "{number} days", minutes // 1440)
    said = marked("overdue by {length}") if left < timedelta(0) else marked("due in {length}")
    return gettext(said, length=length)


def _reach(concern: ListedConcern) -> str:
    places = [
        each.address if each.state == "active" else f"{each.address} ({shown(each.state)})" for each in concern.reach
    ]
    return ", ".join(places) or gettext("no number is known")
