"""Answer a reply at once, in the patient's language and true to the hour; never more than the approved words."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from reminders.care.values import Channel, InDoubt
from reminders.desk.composing import Desk
from reminders.desk.escalate import who_is_told
from reminders.desk.message_rows import due_now, words_of
from reminders.records import replies
from reminders.records.bulk import insert_messages
from reminders.records.tables import Contact, Patient, Reply
from reminders.replies import Label, Triage
from reminders.sentences import english
from reminders.wording.answers import answer_languages, render_answer
from reminders.wording.framing import Rendered

_USUALLY = timedelta(minutes=30)
_USEFUL = {"answer_stopped": timedelta(minutes=5)}  # 47 CFR 64.1200(a)(12): presumed allowed within five minutes
_CLOSES_SOON = timedelta(minutes=15)
_SAME_WORDS = {"answer_emergency": 6}
_SAME_WORDS_USUALLY = 3
"""How often a day the very same words are answered: a machine writes them again and again."""
_DAY = timedelta(days=1)


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What is answered, and to whom; no patient when nobody is known under the address."""

    reply: Reply
    found: Triage
    patient: Patient | None
    contacts: tuple[Contact, ...]
    """Of everybody who has the sender's address, as they are after the reply."""
    changed: bool
    """Whether the reply stopped, restarted or released the address."""
    mail_id: str | None = None
    """Of a mail: its Message-ID."""


def answer(session: Session, desk: Desk, given: Answer) -> str | None:
    """Put the answer to a reply into the outbox and return its name; None when nothing is answered.

    Nothing is answered to thanks, to a machine (RFC 3834 section 2), to a mail that names no sender, to an address
    whose owner asked for silence, twice within the hour, or more than a few times a day: two machines could otherwise
    write to each other for ever.
    """
    name = _name_of(given)
    reply = given.reply
    if (
        name is None
        or reply.written_by == "machine"
        or (reply.channel == "email" and "@" not in reply.sender)
        or (name not in _TO_ANYONE and not _may_be_answered(given))
        or _is_too_much(session, desk, name, given)
    ):
        return None
    now = reply.received_at
    due_at = desk.due.due_at("urgent" if name == "answer_urgent" else "routine", now, desk.opening)
    useful_until = now + _USEFUL.get(name, _USUALLY)
    insert_messages(
        session,
        [
            {
                "practice_id": desk.practice_id,
                "patient_id": reply.patient_id,
                "answers_reply_id": reply.id,
                "kind": "answer",
                "key": name,
                "occurrence": 1,
                "text_name": name,
                "channel": reply.channel,
                "address": reply.sender,
                "language": _language(desk, given),
                **due_now(now),
                "useful_until": min(useful_until, due_at) if name == "answer_urgent" else useful_until,
                "required": False,
                "importance": 1,
                "in_doubt": InDoubt.RESEND.value,
                **words_of(_rendered(desk, name, given, due_at)),
                "reasons": [{"rule": "answer", "text": english("answers reply {id}").format(id=reply.id)}],
                "in_reply_to": given.mail_id,
            }
        ],
    )
    return name


def answer_at_once(desk: Desk, label: Label, *, patient: Patient, language: str, asked_at: datetime) -> str:
    """Return what is told to a patient whose words were read so and who waits for it, as on their page."""
    urgency = "urgent" if label is Label.URGENT else "routine"
    due_at = desk.due.due_at(urgency, asked_at, desk.opening).astimezone(ZoneInfo(patient.zone))
    known = answer_languages(desk.library.shared, drafts=desk.demo)
    spoken = next((code for code in (language, desk.language) if code in known), "en")
    return _in_words(desk, _NAMES[label], Channel.SMS, spoken, due_at).text


_TO_ANYONE = frozenset({"answer_emergency", "answer_stopped", "answer_wrong_person", "answer_help", "answer_started"})
"""Sent even to an address that is stopped or that nobody is known under: each holds no data of a patient."""

_NAMES = {
    Label.EMERGENCY: "answer_emergency",
    Label.URGENT: "answer_urgent",
    Label.ROUTINE: "answer_routine",
    Label.STOP: "answer_stopped",
    Label.START: "answer_started",
    Label.HELP: "answer_help",
    Label.WRONG_PERSON: "answer_wrong_person",
}


def _name_of(given: Answer) -> str | None:
    found = given.found
    if found.label is Label.EMERGENCY:
        return "answer_emergency"
    news = given.changed or not given.contacts
    if found.wrong_person:
        return "answer_wrong_person" if news else None
    if found.opt_out:
        # The one text allowed after an opt-out confirms it; a person telephones about the rest.
        return "answer_stopped" if news else None
    if given.patient is None and found.label in {Label.ROUTINE, Label.START}:
        return None
    return _NAMES.get(found.label)


def _may_be_answered(given: Answer) -> bool:
    """Say whether whoever has the address wants messages; one that seemed not to work does, as they wrote from it."""
    return not given.contacts or any(contact.state in {"active", "unreachable"} for contact in given.contacts)


def _is_too_much(session: Session, desk: Desk, name: str, given: Answer) -> bool:
    """Say whether the sender was answered enough; an emergency is answered whatever else was."""
    now, rules = given.reply.received_at, desk.answers
    earlier = replies.answers_since(session, given.reply, since=now - _DAY)
    again_after = rules.emergency_again_after if name == "answer_emergency" else rules.again_after
    # Whoever stops, starts and stops again within the hour did something each time, and is told so.
    is_news = given.changed and name in {"answer_stopped", "answer_started"}
    lately = [each.at for each in earlier if each.key == name and each.at > now - again_after]
    if name == "answer_urgent":  # who was promised a call is told whom to call once nobody is there any more
        lately = [each for each in lately if _is_staffed(desk, each) == _is_staffed(desk, now)]
    if lately and not is_news:
        return True
    if name not in {"answer_emergency", "answer_stopped"} and len(earlier) >= rules.most_a_day:
        return True
    # last, as it reads all that the sender wrote today
    same = replies.count_same(session, given.reply, since=now - _DAY)
    return same > _SAME_WORDS.get(name, _SAME_WORDS_USUALLY)


def _rendered(desk: Desk, name: str, given: Answer, due_at: datetime) -> Rendered:
    zone = ZoneInfo(given.patient.zone) if given.patient else desk.zone
    return _in_words(desk, name, Channel(given.reply.channel), _language(desk, given), due_at.astimezone(zone))


def _in_words(desk: Desk, name: str, channel: Channel, language: str, due: datetime) -> Rendered:
    now = desk.clock.now()
    is_staffed = _is_staffed(desk, now)
    return render_answer(
        name,
        language=language,
        channel=channel,
        sender=desk.house.sender,
        shared=desk.library.shared,
        office_open=is_staffed,
        office_closing=not is_staffed and desk.opening.is_open(now),
        on_call=bool(who_is_told(desk)),
        due=due,
        past_midnight=due.date() > now.astimezone(due.tzinfo).date(),
    )


def _is_staffed(desk: Desk, now: datetime) -> bool:
    """Say whether somebody can still call today; who writes just before closing is told whom to call after hours."""
    closes_at = desk.opening.closing_today(now)
    return closes_at is not None and desk.opening.is_open(now) and closes_at - now >= _CLOSES_SOON


def _language(desk: Desk, given: Answer) -> str:
    """Return the patient's language, else the one the reply is in, else the practice's, as far as there are texts.

    Outside the demonstration a draft is no text.
    Whoever is not the patient learns nothing about them, not even their language.
    """
    known = answer_languages(desk.library.shared, drafts=desk.demo)
    own = given.patient if not given.found.wrong_person else None
    spoken = own.language if own else given.found.language
    return next((code for code in (spoken, desk.language) if code in known), "en")
