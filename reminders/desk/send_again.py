"""Send a message of a course once more, as staff decide it: lost, refused, or the patient asked for it."""

from __future__ import annotations

from sqlalchemy.orm import Session

from reminders.care.values import Reason
from reminders.desk.composing import Desk
from reminders.desk.once_more import once_more
from reminders.desk.replan import active_enrollment
from reminders.desk.trail import Action, note_change
from reminders.errors import NotFound, StateError
from reminders.records import courses, silence
from reminders.records.bulk import insert_messages
from reminders.records.message_states import MessageState
from reminders.records.people import new_id
from reminders.sentences import english
from reminders.words import gettext

SENT_AGAIN = "_sent_again"
"""Behind the key of the message that is sent once more."""
_MAY_BE = frozenset({MessageState.SENT, MessageState.DELIVERED, MessageState.FAILED, MessageState.UNCERTAIN})


def may_be_sent_again(state: str) -> bool:
    """Say whether a message in this state was handed over, or tried to be, and so may go out once more."""
    return state in _MAY_BE


def send_again(session: Session, desk: Desk, enrollment_id: int, message_id: int, *, by: str) -> None:
    """Plan a message once more, for now, in the words it had; the gate holds it through quiet hours and stops.

    Raises NotFound, or StateError when it never went out, went out again already, or helps no more.
    """
    enrollment = active_enrollment(session, enrollment_id)
    message = next((each for each in courses.messages_of(session, enrollment_id) if each.id == message_id), None)
    if message is None:
        raise NotFound(
            gettext(
                "course {enrollment_id} has no message {message_id}", enrollment_id=enrollment_id, message_id=message_id
            )
        )
    now = desk.clock.now()
    if not may_be_sent_again(message.state) or not message.text:
        raise StateError(gettext("this message has not gone out yet"))
    if now >= message.useful_until:
        raise StateError(gettext("what this message says helps no more; call the patient instead"))
    if silence.repeat_of(session, new_id(message.id)) is not None:
        raise StateError(gettext("this message was sent again already"))
    reason = Reason("sent_again", english("{name} sent message {id} again").format(name=by, id=message.id))
    anew = once_more(message, key=f"{message.key}{SENT_AGAIN}", now=now, reason=reason)
    insert_messages(session, [{**anew, "repeats_id": message.id}])
    note_change(session, desk, Action.MESSAGE_AGAIN, (enrollment.patient_id, f"message {message.id}"))
