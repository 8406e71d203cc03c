"""The concerns as whoever is on duty needs them: whom to call, what they wrote, and until when."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.desk.concerns import OUTCOMES
from reminders.desk.message_list import full_name
from reminders.errors import NotFound
from reminders.records import concerns, finding, people, replies
from reminders.records.people import new_id
from reminders.records.tables import Contact, Patient, Reply
from reminders.records.tables_concerns import Concern, ConcernEvent
from reminders.replies.labels import Evidence
from reminders.words import gettext, retold, shown, shown_all

_RULE = re.compile(r"[a-z]+\.[a-z_]+")
"""How triage names what it went by: `sign.chest_pain`."""
_OF_CALLS = frozenset({"called", "closed"})
"""Steps whose note begins with an outcome."""


@dataclass(frozen=True, kw_only=True)
class PlaceToReach:
    """An address of the patient and whether it may be written to; a call is always allowed but to a released one."""

    channel: str
    address: str
    state: str


@dataclass(frozen=True, kw_only=True)
class SaidByPatient:
    """A reply that the concern is about."""

    reply_id: int
    received_at: datetime
    channel: str
    sender: str
    text: str
    label: str
    signs: tuple[str, ...]
    why: tuple[Evidence, ...] = ()
    """The words that led there."""
    after: str = ""
    """What had been asked or said last."""
    left_out: str = ""
    """Of a mail: what it quoted, and its signature."""


@dataclass(frozen=True, kw_only=True)
class ConcernStep:
    """What happened to the concern."""

    at: datetime
    action: str
    by: str
    note: str
    """What a person wrote, after the outcome of a call; of a concern that triage opened, the rules that led to it."""
    reply_id: int | None

    @property
    def told(self) -> str:
        """The note in the staff's language, outcomes and rules as words; what a person wrote stays as it is."""
        outcome, colon, said = self.note.partition(": ")
        if self.action in _OF_CALLS and outcome in OUTCOMES:
            return shown(outcome) + colon + said
        rules = self.note.split(", ")
        if self.by == "triage" and all(_RULE.fullmatch(each) for each in rules):
            return shown_all(dict.fromkeys(each.partition(".")[2] for each in rules))
        return retold(self.note)


@dataclass(frozen=True, kw_only=True)
class ListedConcern:
    """One concern with its context."""

    id: int
    kind: str
    urgency: str
    state: str
    summary: str
    signs: tuple[str, ...]
    opened_at: datetime
    due_at: datetime
    is_overdue: bool
    taken_by: str | None
    closed_at: datetime | None
    outcome: str | None
    patient_id: int | None
    enrollment_id: int | None
    patient: str
    """First and last name; empty when nobody is known under the sender's address."""
    zone: ZoneInfo
    """The patient's, else the practice's."""
    reach: tuple[PlaceToReach, ...]
    """Where to call or write; of somebody unknown the sender's address."""
    said: tuple[SaidByPatient, ...]
    history: tuple[ConcernStep, ...]

    @property
    def told(self) -> str:
        """The summary in the language of staff; it is kept in English."""
        return told_summary(self.summary)


def list_concerns(session: Session, desk: Desk, *, closed_too: bool = False) -> tuple[ListedConcern, ...]:
    """Return the practice's concerns with their context, most urgent first, then by when they are due."""
    return _with_context(session, desk, concerns.open_concerns(session, desk.practice_id, closed_too=closed_too))


def concern_page(
    session: Session, desk: Desk, *, states: Collection[str], after: int, limit: int
) -> tuple[tuple[ListedConcern, ...], bool]:
    """Return up to `limit` concerns in any of these states, by number, above `after`; and whether there are more."""
    found = concerns.concerns_after(session, desk.practice_id, states=states, after=after, most=limit + 1)
    return _with_context(session, desk, found[:limit]), len(found) > limit


def concern_with_context(session: Session, desk: Desk, concern_id: int) -> ListedConcern:
    """Return one concern with its context; raises NotFound."""
    return _with_context(session, desk, [_found(session, desk, concern_id)])[0]


def require_ours(session: Session, desk: Desk, concern_id: int) -> None:
    """Raise NotFound when there is no such concern in this practice."""
    _found(session, desk, concern_id)


def concerns_about(session: Session, desk: Desk, patient_id: int) -> tuple[ListedConcern, ...]:
    """Return every concern about a patient with its context, oldest first."""
    return _with_context(session, desk, concerns.concerns_of_patient(session, patient_id))


def _found(session: Session, desk: Desk, concern_id: int) -> Concern:
    concern = concerns.concern_of(session, concern_id)
    if concern is None or concern.practice_id != desk.practice_id:
        raise NotFound(
            gettext("there is no concern {concern_id}; `reminders concerns --all` lists them", concern_id=concern_id)
        )
    return concern


def _with_context(session: Session, desk: Desk, found: Sequence[Concern]) -> tuple[ListedConcern, ...]:
    patient_ids = {each.patient_id for each in found if each.patient_id is not None}
    patients = people.patients_of(session, patient_ids)
    contacts = finding.contacts_by_patient(session, patient_ids)
    histories = concerns.histories_of(session, [new_id(each.id) for each in found])
    reply_ids = [step.reply_id for steps in histories.values() for step in steps if step.reply_id is not None]
    said = replies.replies_by_id(session, reply_ids)
    return tuple(
        _listed(
            each,
            desk,
            patient=patients.get(each.patient_id or 0),
            contacts=contacts.get(each.patient_id or 0, ()),
            told=(histories.get(new_id(each.id), ()), said),
        )
        for each in found
    )


def _listed(
    concern: Concern,
    desk: Desk,
    *,
    patient: Patient | None,
    contacts: Sequence[Contact],
    told: tuple[Sequence[ConcernEvent], dict[int, Reply]],
) -> ListedConcern:
    steps, replies_by_id = told
    mine = [replies_by_id[step.reply_id] for step in steps if step.reply_id in replies_by_id]
    reach = tuple(PlaceToReach(channel=each.channel, address=each.address, state=each.state) for each in contacts)
    if not reach:
        senders = dict.fromkeys((reply.channel, reply.sender) for reply in mine)
        reach = tuple(PlaceToReach(channel=channel, address=sender, state="unknown") for channel, sender in senders)
    return ListedConcern(
        id=new_id(concern.id),
        kind=concern.kind,
        urgency=concern.urgency,
        state=concern.state,
        summary=concern.summary,
        signs=tuple(concern.signs),
        opened_at=concern.opened_at,
        due_at=concern.due_at,
        is_overdue=concern.state != "closed" and concern.due_at < desk.clock.now(),
        taken_by=concern.taken_by,
        closed_at=concern.closed_at,
        outcome=concern.outcome,
        patient_id=concern.patient_id,
        enrollment_id=concern.enrollment_id,
        patient=full_name(patient),
        zone=ZoneInfo(patient.zone) if patient else desk.zone,
        reach=reach,
        said=tuple(said_by_patient(reply) for reply in mine),
        history=tuple(
            ConcernStep(at=step.at, action=step.action, by=step.by, note=step.note, reply_id=step.reply_id)
            for step in steps
        ),
    )


def told_summary(summary: str) -> str:
    """Return a concern's summary in the language of staff; it is kept in English."""
    told = retold(summary)
    if told != summary or not summary or "_" in summary:
        return told
    return shown_all(summary.split(", "))  # signs, as words that the catalogs have; a name with `_` is none of them


def said_by_patient(reply: Reply) -> SaidByPatient:
    """Return a reply as staff read it."""
    return SaidByPatient(
        reply_id=new_id(reply.id),
        received_at=reply.received_at,
        channel=reply.channel,
        sender=reply.sender,
        text=reply.text,
        label=reply.label,
        signs=tuple(reply.signs),
        why=tuple(Evidence(**each) for each in reply.why),
        after=reply.after,
        left_out=reply.left_out or "",
    )
