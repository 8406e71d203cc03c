"""`reminders replan` and `reminders cancel`: a course whose facts changed, or that ends."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Unpack
from zoneinfo import ZoneInfo

import click

from reminders.cli.json_output import print_json
from reminders.cli.options import (
    CourseFacts,
    about_to_show,
    acting,
    by_option,
    course_options,
    json_option,
    opened,
    pairs,
    yes_option,
)
from reminders.cli.terminal import confirm, line, short_when, show_rows, table
from reminders.desk.changed_facts import Changes, changed_course
from reminders.desk.end_course import cancel_course
from reminders.desk.replan import Change, propose
from reminders.desk.replan import replan as replan_course
from reminders.desk.shapes import proposal_as_json
from reminders.desk.steer_course import Decision, shift_course
from reminders.desk.trail import Action
from reminders.words import gettext, shown


@click.command(
    epilog="""\b
Examples:
  reminders replan 12 --visit 2026-03-21T10:00
  reminders replan 12 --factor diabetes --set stop_day=7
  reminders replan 12 --no-factor blood_thinner --yes
  reminders replan 12 --visit none --dry-run --json
  reminders replan 12 --dressing-applied 2026-03-07T20:00 --concern 3 --reason "came off, new one" --by "N. Nurse"
""",
)
@click.argument("enrollment", type=int)
@course_options
@click.option("--no-factor", "factors_gone", multiple=True, metavar="NAME", help="A factor that does not hold.")
@click.option("--dry-run", is_flag=True, help="Show the difference and store nothing.")
@click.option("--concern", "concern_id", type=int, metavar="ID", help="The concern that led to it; it is noted there.")
@click.option("--reason", default="", metavar="TEXT", help="Why; it is noted on the concern.")
@by_option
@yes_option
@json_option
@click.pass_context
def replan(
    ctx: click.Context,
    enrollment: int,
    factors_gone: tuple[str, ...],
    dry_run: bool,
    concern_id: int | None,
    reason: str,
    by: str | None,
    yes: bool,
    as_json: bool,
    **facts: Unpack[CourseFacts],
) -> None:
    """Plan ENROLLMENT anew with the facts you say; shows what becomes different, asks, then stores it.

    What was sent stays sent, and nothing is said twice. `--factor` adds; `--factor none` takes all factors away.
    `none` takes back --visit, --block-placed, --dressing-applied and --site.
    """
    app = opened(ctx)
    changes = _changes(facts, factors_gone)
    with app.database.reading() as session:
        course = changed_course(session, app.desk, enrollment, changes)
        proposal = propose(session, app.desk, enrollment, course)
    about_to_show(app, Action.COURSE_SEE, (None, f"enrollment {enrollment}"))
    if not as_json:
        show_changes(proposal.changes, proposal.course.zone)
    stored = False
    if not dry_run:
        confirm(gettext("Store this?"), yes=yes)
        decision = Decision(by=acting(by), reason=reason.strip(), concern_id=concern_id) if concern_id else None
        with app.database.writing() as session:
            seen = propose(session, app.desk, enrollment, course) if yes else proposal
            if decision is None:
                proposal = replan_course(session, app.desk, enrollment, course, shown=seen.changes)
            else:
                proposal = shift_course(session, app.desk, enrollment, seen, decision)
        stored = True
    if as_json:
        print_json(proposal_as_json(proposal, stored=stored))
    else:
        line(gettext("Stored.") if stored else gettext("Nothing was stored, as you said --dry-run."), style="bold")


@click.command(
    epilog="""\b
Examples:
  reminders cancel 12 --reason "wrong procedure was chosen" --by "F. Desk"
  reminders cancel 12 --reason "moved to another practice" --yes --json
""",
)
@click.argument("enrollment", type=int)
@click.option("--reason", required=True, metavar="TEXT", help="Why; it stays with the messages that are not sent.")
@by_option
@yes_option
@json_option
@click.pass_context
def cancel(ctx: click.Context, enrollment: int, reason: str, by: str | None, yes: bool, as_json: bool) -> None:
    """Cancel ENROLLMENT: what still waits is not sent, and the patient gets no word of it."""
    app = opened(ctx)
    confirm(gettext("Cancel enrollment {id}? What still waits is not sent.", id=enrollment), yes=yes)
    with app.database.writing() as session:
        count = cancel_course(session, app.desk, enrollment, by=acting(by), reason=reason.strip())
    if as_json:
        print_json({"enrollment": enrollment, "cancelled": count})
    else:
        said = gettext("Enrollment {id} is cancelled; {count} messages are not sent.", id=enrollment, count=count)
        line(said, style="bold")


def _changes(facts: CourseFacts, factors_gone: tuple[str, ...]) -> Changes:
    return Changes(
        end=facts["end"],
        zone=facts["zone"],
        language=facts["language"],
        visit=facts["visit"],
        block_placed=facts["block_placed"],
        dressing_applied=facts["dressing_applied"],
        channel=facts["channel"],
        site=facts["site"],
        night_contact=facts["night_contact"],
        factors=facts["factors"],
        factors_gone=factors_gone,
        settings=pairs(facts["settings"], "--set"),
        slots=pairs(facts["slots"], "--slot"),
    )


def show_changes(changes: Sequence[Change], zone: ZoneInfo) -> None:
    """Print what becomes of each message, times by the patient's clock."""
    if not changes:
        line(gettext("No message changes."))
        return
    show_rows(
        table(
            (gettext("Change"), {"max_width": 20}),
            (gettext("When"), {"no_wrap": True}),
            (gettext("Words"), {"ratio": 1}),
        ),
        ([_what(each), _move(each, zone), each.text] for each in changes),
    )


def _what(change: Change) -> str:
    name = change.key.replace("_", " ")
    what = shown(change.what)
    return f"{what}:\n{name} {change.occurrence}" if change.occurrence > 1 else f"{what}:\n{name}"


def _move(change: Change, zone: ZoneInfo) -> str:
    before = short_when(change.before_at, zone) if change.before_at else "-"
    after = short_when(change.after_at, zone) if change.after_at else "-"
    return before if before == after else f"{before}\n→ {after}"
