"""A patient asks on their page for a call: it becomes a concern as urgent as their words, and is answered at once."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from reminders.desk.answer_reply import answer_at_once
from reminders.desk.composing import Desk
from reminders.desk.concern_from_reply import raise_concern
from reminders.desk.consent import withdraw_everywhere
from reminders.desk.patient_page import PatientPage
from reminders.desk.plan_warnings import heed_plan
from reminders.desk.reply_context import read_unasked
from reminders.desk.trail import Action, note_change
from reminders.errors import NotFound
from reminders.records import concerns, people, replies
from reminders.records.storable import storable
from reminders.records.tables import Patient, Reply
from reminders.replies import Evidence, Label, Triage
from reminders.sentences import english
from reminders.words import gettext

PAGE = "page"
"""The channel of what was written on a patient's page; there it has no sender's address."""
LONGEST_WORDS = 2000
MOST_AN_HOUR = 10
"""Requests that are taken; what is written beyond them is read and answered, and not stored: staff have heard."""
_HOUR = timedelta(hours=1)
_SERIOUS = {Label.EMERGENCY, Label.URGENT}


@dataclass(frozen=True, kw_only=True)
class CallWish:
    """What the patient sent."""

    words: str
    """Their own; may be empty."""
    pressed: str
    """What stood on the button: without words of their own it is what they said."""
    once: str
    """Names this form; the same is the same request, sent twice."""


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What came of it."""

    label: Label
    """emergency, urgent or routine."""
    answer: str
    """What the patient is told, in approved words."""
    is_taken: bool
    """False when too many came within an hour; an emergency is answered all the same."""


def ask_for_call(session: Session, desk: Desk, page: PatientPage, wish: CallWish) -> Asked:
    """Store the request, open or join the patient's concern, and return what the patient is told.

    Nobody has to be urgent to be called; words that are make it so, and an emergency is answered as one.
    """
    replies.hold_senders(session, [f"{PAGE} {page.enrollment_id}"])
    replies.hold_patients(session, [page.patient_id])
    patient = people.patient_of(session, page.patient_id)
    if patient is None:
        raise NotFound(gettext("there is no patient {patient_id}", patient_id=page.patient_id))
    now = desk.clock.now()
    ref = storable(wish.once)[:80]
    earlier = replies.replies_with_refs(session, desk.practice_id, PAGE, [ref]).get(ref)
    if earlier is not None:
        return _told(desk, page, patient, Label(earlier.label), at=earlier.received_at)
    said = storable(wish.words).strip()[:LONGEST_WORDS]
    found = _understood(session, desk, page, patient, said)
    lately = [each for each in replies.replies_of(session, page.patient_id, since=now - _HOUR) if each.channel == PAGE]
    if len(lately) >= MOST_AN_HOUR:
        return replace(_told(desk, page, patient, found.label, at=now), is_taken=False)
    reply = Reply(
        practice_id=desk.practice_id,
        patient_id=page.patient_id,
        enrollment_id=page.enrollment_id,
        channel=PAGE,
        sender=PAGE,
        text=said or wish.pressed,
        gateway_ref=ref,
        received_at=now,
        after="none",
        label=str(found.label),
        signs=list(found.signs),
        why=[asdict(evidence) for evidence in found.why],
    )
    reply_id = replies.add_reply(session, reply)
    note_change(session, desk, Action.REPLY_TAKE, (page.patient_id, f"reply {reply_id}"), {"label": reply.label})
    if found.opt_out:
        withdraw_everywhere(session, desk, page.patient_id, wording=reply.text)
    joins = concerns.concerns_to_join(session, [page.patient_id], kind="reply").get(page.patient_id)
    raise_concern(session, desk, reply, found, joins)
    return _told(desk, page, patient, found.label, at=now)


def _understood(session: Session, desk: Desk, page: PatientPage, patient: Patient, said: str) -> Triage:
    """Return what was said; whoever asks for a call wants one, whatever else they say."""
    read = read_unasked(session, said, patient, page.enrollment, desk.clock.now())
    found = heed_plan(session, desk, read, page.enrollment) if said else read
    asks = Evidence(rule="page.callback", words="", start=0, end=0, note=english("they asked for a call on their page"))
    return replace(
        found,
        label=found.label if found.label in _SERIOUS else Label.ROUTINE,
        signs=tuple(dict.fromkeys((*(each for each in found.signs if each != "unclear"), "callback"))),
        why=(*found.why, asks),
        wrong_person=False,
    )


def _told(desk: Desk, page: PatientPage, patient: Patient, label: Label, *, at: datetime) -> Asked:
    answer = answer_at_once(desk, label, patient=patient, language=page.language, asked_at=at)
    return Asked(label=label, answer=answer, is_taken=True)
