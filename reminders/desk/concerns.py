"""Take a concern, note what was done, close it with its outcome; one person at a time."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.desk.escalate import tell_new_holder, who_is_told
from reminders.desk.trail import Action, note_change
from reminders.errors import InputError, NotFound, StateError
from reminders.records import concerns
from reminders.records.tables_concerns import Concern, ConcernEvent
from reminders.sentences import english
from reminders.words import gettext

OUTCOMES = ("reached", "left_voicemail", "sent_to_clinic", "sent_to_emergency", "not_needed")
"""How a call-back may end."""

LONGEST_NOTE = 4000


@dataclass(frozen=True, kw_only=True)
class CallBack:
    """How the call-back ended: one of `OUTCOMES`, with a note if there is more to say."""

    outcome: str
    note: str = ""
    read: int | None = None
    """The last reply that whoever called had before them; None when nobody knows."""


def take_concern(session: Session, desk: Desk, concern_id: int, *, by: str) -> Concern:
    """Take a concern; raises StateError when somebody else has it or it is closed, NotFound when there is none.

    InputError, here and below, when nobody is named.
    """
    by = _named(by)
    concern = _found(session, concern_id)
    if not concerns.change_concern(session, concern_id, was=("open",), state="taken", taken_by=by):
        if concern.state == "taken":
            raise StateError(
                gettext(
                    "concern {concern_id} is taken by {taken_by} already",
                    concern_id=concern_id,
                    taken_by=concern.taken_by,
                )
            )
        raise StateError(
            gettext("concern {concern_id} is {state} already", concern_id=concern_id, state=gettext(concern.state))
        )
    _record(session, desk, concern, _event(desk, concern_id, "taken", by))
    return _found(session, concern_id)


def note_on_concern(session: Session, desk: Desk, concern_id: int, *, by: str, note: str) -> Concern:
    """Add a note to a concern that is not closed."""
    by = _named(by)
    concern = _found(session, concern_id)
    if concern.state == "closed":
        raise StateError(gettext("concern {concern_id} is closed", concern_id=concern_id))
    _record(session, desk, concern, _event(desk, concern_id, "note", by, _note(note, needed=True)))
    return concern


def record_call(session: Session, desk: Desk, concern_id: int, call: CallBack, *, by: str) -> Concern:
    """Note how a call-back went when the concern is not done yet: who left a voicemail tries again.

    A concern that nobody has becomes the caller's. Raises StateError when it is closed or somebody else has it.
    """
    by, text = _named(by), _said(call)
    concern = _found(session, concern_id)
    if concern.state == "closed" or (concern.state == "taken" and concern.taken_by != by):
        if concern.state == "taken":
            raise StateError(
                gettext("concern {concern_id} is taken by {taken_by}", concern_id=concern_id, taken_by=concern.taken_by)
            )
        raise StateError(gettext("concern {concern_id} is closed", concern_id=concern_id))
    if not concerns.change_concern(session, concern_id, was=(concern.state,), state="taken", taken_by=by):
        raise StateError(gettext("concern {concern_id} moved on meanwhile; look at it again", concern_id=concern_id))
    _record(session, desk, concern, _event(desk, concern_id, "called", by, text))
    return _found(session, concern_id)


def close_concern(session: Session, desk: Desk, concern_id: int, ended: CallBack, *, by: str) -> Concern:
    """Close a concern with how the call-back ended.

    Raises StateError when it is closed, somebody else has it, or the patient wrote what who closes it did not read.
    """
    by, text = _named(by), _said(ended)
    concern = _found(session, concern_id)
    if concern.state == "taken" and concern.taken_by != by:
        raise StateError(
            gettext(
                "concern {concern_id} is taken by {taken_by}; only they close it",
                concern_id=concern_id,
                taken_by=concern.taken_by,
            )
        )
    closed = concerns.change_concern(
        session, concern_id, was=("open", "taken"), state="closed", closed_at=desk.clock.now(), outcome=ended.outcome
    )
    if not closed:
        raise StateError(gettext("concern {concern_id} is closed already", concern_id=concern_id))
    # Only now does nobody else add to it until the transaction ends.
    said = [each.reply_id for each in concerns.history_of(session, concern_id) if each.reply_id is not None]
    if ended.read is not None and max(said, default=0) > ended.read:
        raise StateError(gettext("the patient wrote again meanwhile; read it, then close the concern"))
    _record(session, desk, concern, _event(desk, concern_id, "closed", by, text))
    return _found(session, concern_id)


def hand_over(session: Session, desk: Desk, concern_id: int, *, to: str, by: str) -> Concern:
    """Give a concern that `by` has, or that nobody has, to somebody else, who is told if they are on the duty list.

    Raises StateError when another has it.
    """
    by, to = _named(by), _named(to)
    concern = _found(session, concern_id)
    if concern.state == "closed" or (concern.state == "taken" and concern.taken_by != by):
        if concern.state == "taken":
            raise StateError(
                gettext(
                    "concern {concern_id} is taken by {taken_by}; {by} can't hand it over",
                    concern_id=concern_id,
                    taken_by=concern.taken_by,
                    by=by,
                )
            )
        raise StateError(
            gettext("concern {concern_id} is closed; {by} can't hand it over", concern_id=concern_id, by=by)
        )
    if not concerns.change_concern(session, concern_id, was=(concern.state,), state="taken", taken_by=to):
        raise StateError(gettext("concern {concern_id} moved on meanwhile; look at it again", concern_id=concern_id))
    given = _found(session, concern_id)
    channels = tell_new_holder(session, desk, given, by=by)
    told = english("passed to {name}, told by {channels}") if channels else english("handed over to {name}")
    note = told.format(name=to, channels=", ".join(channels))
    _record(session, desk, given, _event(desk, concern_id, "handed_over", by, note))
    return given


def give_back(session: Session, desk: Desk, concern_id: int, *, by: str, note: str = "") -> Concern:
    """Let go of a concern that `by` took, so that it waits for anybody and the people on duty are told again."""
    by, note = _named(by), _note(note, needed=False)
    concern = _found(session, concern_id)
    if concern.state != "taken" or concern.taken_by != by:
        raise StateError(gettext("concern {concern_id} is not taken by {by}", concern_id=concern_id, by=by))
    now = desk.clock.now()
    # What is routine goes on waiting until it is due; else whoever comes after `by` is told now.
    notify_at = max(concern.due_at, desk.opening.next_opening(now)) if concern.urgency == "routine" else now
    on_duty = [each.name for each in who_is_told(desk)]
    told = on_duty.index(by) + 1 if by in on_duty else 0
    waits = {"state": "open", "taken_by": None, "notify_at": notify_at, "notified_steps": told}
    if not concerns.change_concern(session, concern_id, was=("taken",), **waits):
        raise StateError(gettext("concern {concern_id} moved on meanwhile; look at it again", concern_id=concern_id))
    _record(session, desk, concern, _event(desk, concern_id, "given_back", by, note))
    return _found(session, concern_id)


def reopen_concern(session: Session, desk: Desk, concern_id: int, *, by: str, note: str) -> Concern:
    """Open a closed concern again, due anew from now; raises StateError when it is not closed."""
    by, note = _named(by), _note(note, needed=True)
    concern = _found(session, concern_id)
    if concern.state != "closed":
        raise StateError(gettext("concern {concern_id} is not closed", concern_id=concern_id))
    if concern.about and (other := concerns.open_about(session, concern.practice_id, concern.kind, concern.about)):
        raise StateError(gettext("concern {other} is about the same and open; add a note to that one", other=other))
    now = desk.clock.now()
    due_at = desk.due.due_at(concern.urgency, now, desk.opening)
    notify_at, _ = desk.duty.first_step_at(concern.urgency, now, due_at, desk.opening)
    fresh = {"due_at": due_at, "notify_at": notify_at, "notified_steps": 0}
    ended = {"taken_by": None, "closed_at": None, "outcome": None}
    if not concerns.change_concern(session, concern_id, was=("closed",), state="open", **fresh, **ended):
        raise StateError(gettext("concern {concern_id} moved on meanwhile; look at it again", concern_id=concern_id))
    _record(session, desk, concern, _event(desk, concern_id, "reopened", by, note))
    return _found(session, concern_id)


def _found(session: Session, concern_id: int) -> Concern:
    concern = concerns.concern_of(session, concern_id)
    if concern is None:
        raise NotFound(gettext("there is no concern {concern_id}", concern_id=concern_id))
    return concern


def _record(session: Session, desk: Desk, concern: Concern, event: ConcernEvent) -> None:
    """Add a line to the concern's history, and one to the audit trail."""
    concerns.add_event(session, event)
    action = Action(f"concern.{event.action}")
    note_change(session, desk, action, (concern.patient_id, f"concern {event.concern_id}"))


def _event(desk: Desk, concern_id: int, action: str, by: str, note: str = "") -> ConcernEvent:
    return ConcernEvent(
        practice_id=desk.practice_id, concern_id=concern_id, action=action, by=by, note=note, at=desk.clock.now()
    )


def _named(by: str) -> str:
    if not by.strip():
        raise InputError(gettext("say who you are: the history of a concern names everybody who worked on it"))
    return by.strip()


def _said(call: CallBack) -> str:
    if call.outcome not in OUTCOMES:
        raise InputError(
            gettext("no outcome {outcome!r}; there are {known}", outcome=call.outcome, known=", ".join(OUTCOMES))
        )
    note = _note(call.note, needed=False)
    return f"{call.outcome}: {note}" if note else call.outcome


def _note(text: str, *, needed: bool) -> str:
    note = text.strip()
    if needed and not note:
        raise InputError(gettext("the note is empty"))
    if len(note) > LONGEST_NOTE:
        raise InputError(
            gettext("the note has {number} characters; at most {most} are kept", number=len(note), most=LONGEST_NOTE)
        )
    return note
