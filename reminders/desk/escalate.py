"""Tells the people on duty, one after the other, of a concern that nobody took; each step is in its history."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.desk.duty import Person
from reminders.desk.staff_notice import SHORT_NOTICE, Notice, can_be_told, link_to, notify, until
from reminders.records import concerns
from reminders.records.database import Database
from reminders.records.people import new_id
from reminders.records.tables_concerns import Concern, ConcernEvent
from reminders.words import gettext, marked, on_day

_BY = marked("escalation")


@dataclass(frozen=True, kw_only=True)
class Step:
    """One person told of one concern."""

    concern_id: int
    number: int
    """From 1 since the concern was opened, raised or opened again."""
    person: Person
    channels: tuple[str, ...]


def escalate_all(database: Database, desk: Desk) -> tuple[Step, ...]:
    """Tell whoever has to be told now; returns the steps, () when nobody has. Does nothing without a duty list.

    How far it came is kept with each concern and in the same commit as the messages: run twice, by two workers or
    after a crash, each step happens once.
    """
    if not desk.duty.people:
        return ()
    now = desk.clock.now()
    with database.reading() as session:
        waits = concerns.must_notify(session, desk.practice_id, now)
    if not waits:
        return ()
    with database.writing() as session:
        found = concerns.concerns_to_notify(session, desk.practice_id, now)
        steps = [step for each in found if (step := escalate(session, desk, each)) is not None]
    return tuple(steps)


def next_escalation_at(database: Database, desk: Desk) -> datetime | None:
    """Return when somebody has to be told next; None when nobody has."""
    if not desk.duty.people:
        return None
    with database.reading() as session:
        return concerns.next_notice_at(session, desk.practice_id)


def escalate(session: Session, desk: Desk, concern: Concern) -> Step | None:
    """Tell the next person of an open concern if it is time; None when it is not, or there is nobody to tell."""
    if not desk.duty.people or concern.state != "open":
        return None
    now = desk.clock.now()
    first_at, why = desk.duty.first_step_at(concern.urgency, concern.opened_at, concern.due_at, desk.opening)
    notify_at = concern.notify_at or first_at
    if notify_at > now:
        concerns.change_concern(session, new_id(concern.id), was=("open",), notify_at=notify_at)
        return None
    return _step(session, desk, concern, why)


def who_is_told(desk: Desk) -> tuple[Person, ...]:
    """Return who is told now, first the one to be told first: who is on duty, else anybody on the list.

    Only people whom a message reaches; () when there are none.
    """
    on_duty, everybody = (
        tuple(each for each in people if can_be_told(desk, each))
        for people in (desk.duty.on_duty(desk.clock.now()), desk.duty.people)
    )
    return on_duty or everybody


def tell_new_holder(session: Session, desk: Desk, concern: Concern, *, by: str) -> tuple[str, ...]:
    """Tell who has a concern now that `by` handed it over, if they are on the duty list; of a routine one by mail.

    Returns the channels, () when they can't be told.
    """
    holder = next((each for each in desk.duty.people if each.name == concern.taken_by), None)
    if holder is None:
        return ()
    concern_id = new_id(concern.id)
    said = gettext(
        "{practice}: {name} handed {urgency} concern {id} over to you. {link}",
        practice=desk.house.sender.practice_name,
        name=by,
        urgency=_named(concern).upper(),
        id=concern_id,
        link=link_to(desk, concern_id),
    )
    is_routine = concern.urgency == "routine"
    notice = Notice(
        key=SHORT_NOTICE,
        subject=gettext("{urgency}: concern {id}, handed over", urgency=_named(concern).capitalize(), id=concern_id),
        short="" if is_routine else said,
        paragraphs=(said,) if is_routine else (),
        useful_until=until(desk.clock.now(), desk.duty.step),
        reason=gettext("concern {id}: handed over", id=concern_id),
    )
    return notify(session, desk, holder, notice)


def tell_holder(session: Session, desk: Desk, concern: Concern) -> Person | None:
    """Tell who has a concern that the patient wrote again and it is an emergency.

    None when nobody on duty has it, or they were told within the last minutes.
    """
    now, concern_id = desk.clock.now(), new_id(concern.id)
    holder = next((each for each in desk.duty.on_duty(now) if each.name == concern.taken_by), None)
    told = [each.at for each in concerns.history_of(session, concern_id) if each.action == "escalated"]
    if holder is None or (told and now - told[-1] < desk.duty.emergency_step):
        return None
    notice = Notice(
        key=SHORT_NOTICE,
        subject=gettext("{urgency}: concern {id}, wrote again", urgency=_named(concern).capitalize(), id=concern_id),
        short=gettext(
            "{practice}: {urgency} concern {id}, which you have: the patient wrote again. {link}",
            practice=desk.house.sender.practice_name,
            urgency=_named(concern).upper(),
            id=concern_id,
            link=link_to(desk, concern_id),
        ),
        useful_until=until(now, desk.duty.emergency_step),
        reason=gettext("concern {id}: an emergency, again", id=concern_id),
    )
    channels = notify(session, desk, holder, notice)
    note = gettext("{person} told again by {channels}", person=holder.name, channels=", ".join(channels) or "-")
    _note(session, desk, concern_id, note)
    return holder


def _note(session: Session, desk: Desk, concern_id: int, note: str) -> None:
    event = ConcernEvent(
        practice_id=desk.practice_id,
        concern_id=concern_id,
        action="escalated",
        by=_BY,
        note=note,
        at=desk.clock.now(),
    )
    concerns.add_event(session, event)


def _named(concern: Concern) -> str:
    return gettext(concern.urgency)


def _step(session: Session, desk: Desk, concern: Concern, why: str) -> Step | None:
    now, concern_id = desk.clock.now(), new_id(concern.id)
    order = who_is_told(desk) or desk.duty.on_duty(now)
    done = concern.notified_steps
    person = order[done % len(order)]
    next_at = desk.duty.next_step_at(concern.urgency, now, done + 1, desk.opening)
    if not concerns.count_step(session, concern_id, steps=done, notify_at=next_at):
        return None
    notice = Notice(
        key=SHORT_NOTICE,
        subject=gettext("{urgency}: concern {id} waits", urgency=gettext(concern.urgency).capitalize(), id=concern_id),
        short=_short(desk, concern),
        useful_until=until(now, next_at - now),
        reason=gettext("concern {id}, step {step}: {why}", id=concern_id, step=done + 1, why=why),
    )
    channels = notify(session, desk, person, notice)
    told = gettext("by {channels}", channels=", ".join(channels))
    note = gettext(
        "step {step}: {person} {told}; {why}; next at {next_at} UTC",
        step=done + 1,
        person=person.name,
        told=told if channels else gettext("not told: no way to reach them"),
        why=why,
        next_at=f"{next_at:%Y-%m-%d %H:%M}",
    )
    _note(session, desk, concern_id, note)
    return Step(concern_id=concern_id, number=done + 1, person=person, channels=channels)


def _short(desk: Desk, concern: Concern) -> str:
    """Return what an SMS may say to a telephone that anybody may look at: nothing about a patient."""
    since = concern.opened_at.astimezone(desk.zone)
    return gettext(
        "{practice}: {urgency} concern {id} of {since}. Nobody took it yet. {link}",
        practice=desk.house.sender.practice_name,
        urgency=gettext(concern.urgency).upper(),
        id=concern.id,
        since=on_day(since, "EEE HH:mm"),
        link=link_to(desk, new_id(concern.id)),
    )
