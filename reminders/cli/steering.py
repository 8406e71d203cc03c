"""`reminders pause`, `resume`, `end` and `extend`: what a concern does to a course."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypedDict, TypeVar, Unpack

import click

from reminders.cli.changing import show_changes
from reminders.cli.json_output import print_json
from reminders.cli.options import about_to_show, acting, by_option, json_option, opened, yes_option
from reminders.cli.terminal import confirm, line
from reminders.desk import steer_course as desk
from reminders.desk.replan import propose
from reminders.desk.shapes import changes_as_json, proposal_as_json
from reminders.desk.trail import Action
from reminders.words import gettext

Command = TypeVar("Command", bound=Callable[..., Any])


class _Why(TypedDict):
    by: str | None
    reason: str
    concern_id: int | None


def _steering(command: Command) -> Command:
    """Add what the four commands share: the enrollment, who, why, and the concern that led to it."""
    for option in (
        json_option,
        yes_option,
        by_option,
        click.option("--concern", "concern_id", type=int, metavar="ID", help="The concern that led to it."),
        click.option("--reason", default="", metavar="TEXT", help="Why; it stays with the record."),
        click.argument("enrollment", type=int),
    ):
        command = option(command)
    return command


@click.command(epilog='\b\nExample:\n  reminders pause 12 --concern 3 --reason "in hospital"\n')
@_steering
@click.pass_context
def pause(ctx: click.Context, enrollment: int, yes: bool, as_json: bool, **why: Unpack[_Why]) -> None:
    """Send nothing of ENROLLMENT until it is resumed; what the patient writes is answered all the same."""
    app = opened(ctx)
    with app.database.reading() as session:
        waiting = desk.not_sent_meanwhile(session, enrollment)
    about_to_show(app, Action.COURSE_SEE, (None, f"enrollment {enrollment}"))
    if not as_json:
        line(gettext("{count} messages wait; none is sent while the course is paused.", count=len(waiting)))
    confirm(gettext("Pause it?"), yes=yes)
    with app.database.writing() as session:
        desk.pause_course(session, app.desk, enrollment, _decision(why))
    if as_json:
        print_json({"enrollment": enrollment, "paused": True, "waiting": len(waiting)})
    else:
        said = gettext("Enrollment {id} is paused; `reminders resume {id}` goes on.", id=enrollment)
        line(said, style="bold")


@click.command(epilog='\b\nExample:\n  reminders resume 12 --reason "at home again"\n')
@_steering
@click.pass_context
def resume(ctx: click.Context, enrollment: int, yes: bool, as_json: bool, **why: Unpack[_Why]) -> None:
    """Let ENROLLMENT go on, planned anew from now; shows what becomes different, and asks."""
    app = opened(ctx)
    with app.database.reading() as session:
        proposal = desk.propose_resuming(session, app.desk, enrollment)
    about_to_show(app, Action.COURSE_SEE, (None, f"enrollment {enrollment}"))
    if not as_json:
        show_changes(proposal.changes, proposal.course.zone)
    confirm(gettext("Resume it?"), yes=yes)
    with app.database.writing() as session:
        proposal = desk.resume_course(session, app.desk, enrollment, _decision(why))
    if as_json:
        print_json(proposal_as_json(proposal, stored=True))
    else:
        line(gettext("Enrollment {id} goes on.", id=enrollment), style="bold")


@click.command(epilog='\b\nExample:\n  reminders end 12 --concern 3 --reason "healed"\n')
@_steering
@click.pass_context
def end(ctx: click.Context, enrollment: int, yes: bool, as_json: bool, **why: Unpack[_Why]) -> None:
    """End ENROLLMENT before its last day; shows what is not sent then, and asks. Its tasks for staff stay."""
    app = opened(ctx)
    zone = app.config.zone
    with app.database.reading() as session:
        waiting = desk.not_sent_meanwhile(session, enrollment)
    about_to_show(app, Action.COURSE_SEE, (None, f"enrollment {enrollment}"))
    if not as_json:
        show_changes(waiting, zone)
    confirm(gettext("End it?"), yes=yes)
    with app.database.writing() as session:
        desk.end_course(session, app.desk, enrollment, _decision(why))
    if as_json:
        print_json({"enrollment": enrollment, "stored": True, "changes": changes_as_json(waiting, zone)})
    else:
        said = gettext("Enrollment {id} is ended; {count} messages are not sent.", id=enrollment, count=len(waiting))
        line(said, style="bold")


@click.command(epilog='\b\nExample:\n  reminders extend 12 --days 3 --concern 3 --reason "infection, soaks go on"\n')
@click.option("--days", type=int, required=True, metavar="N", help="How many days more; fewer when negative.")
@_steering
@click.pass_context
def extend(ctx: click.Context, enrollment: int, days: int, yes: bool, as_json: bool, **why: Unpack[_Why]) -> None:
    """Let soaks and ointment of ENROLLMENT go on for longer; shows what becomes different, and asks."""
    app = opened(ctx)
    with app.database.reading() as session:
        course = desk.extended_course(session, app.desk, enrollment, days)
        proposal = propose(session, app.desk, enrollment, course)
    about_to_show(app, Action.COURSE_SEE, (None, f"enrollment {enrollment}"))
    if not as_json:
        show_changes(proposal.changes, course.zone)
    confirm(gettext("Store this?"), yes=yes)
    with app.database.writing() as session:
        proposal = desk.extend_course(session, app.desk, enrollment, course, _decision(why))
    if as_json:
        print_json(proposal_as_json(proposal, stored=True))
    else:
        line(gettext("Stored."), style="bold")


def _decision(why: _Why) -> desk.Decision:
    return desk.Decision(by=acting(why["by"]), reason=why["reason"].strip(), concern_id=why["concern_id"])
