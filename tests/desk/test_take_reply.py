"""What comes of a reply: read, kept, acted on, answered at once, and what is serious before a human's eyes."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import pytest

from reminders.desk.concerns import CallBack, close_concern, take_concern
from reminders.desk.take_reply import Incoming, take_replies, take_reply
from reminders.errors import InputError
from reminders.records.tables_concerns import Concern
from tests.desk.office import PHONE, Office, wall

Opener = Callable[..., Office]

EMERGENCY = "I can't breathe and my face is swelling up"
URGENT = "there is pus coming out and it smells"
ROUTINE = "can I reschedule my visit?"


@pytest.fixture
def enrolled(office: Office) -> Office:
    """The practice at 11:00, after Robin's confirmation went out."""
    office.enroll()
    office.play("2026-06-10T11:00")
    return office


def one_concern(office: Office) -> Concern:
    (concern,) = office.concerns()
    return concern


# --- control words


@pytest.mark.parametrize("word", ["STOP", "stop.", "Quit", "END", "revoke", "opt out", "cancel", "unsubscribe"])
def test_a_stop_word_stops_and_is_confirmed_once(enrolled: Office, word: str) -> None:
    # 47 CFR 64.1200(a)(10): stop, quit, end, revoke, opt out, cancel, unsubscribe
    taken = enrolled.reply(word)
    assert (taken.label, taken.concern_id) == ("stop", None)
    assert enrolled.contact_states() == ["stopped"]
    (confirmation,) = enrolled.answers()
    assert "no more texts" in confirmation
    enrolled.play("2026-06-30T12:00")
    assert enrolled.texts[-1] == confirmation


def test_a_plain_sentence_stops_too(enrolled: Office) -> None:
    assert enrolled.reply("please stop sending me these messages").label == "stop"
    assert enrolled.contact_states() == ["stopped"]
    assert enrolled.consents(1)[-1] == ("withdrawn", PHONE, "whoever holds the address")


@pytest.mark.parametrize("hours", [0, 2, 30])
def test_who_has_stopped_and_stops_again_is_not_written_to_again(enrolled: Office, hours: int) -> None:
    enrolled.reply("STOP")
    enrolled.answers()
    enrolled.clock.advance(timedelta(hours=hours))
    assert enrolled.reply("STOP").answered_with is None
    assert enrolled.answers() == []


def test_the_confirmation_of_a_stop_is_not_sent_late(enrolled: Office) -> None:
    # 47 CFR 64.1200(a)(12): within five minutes of the request
    enrolled.reply("STOP")
    enrolled.clock.advance(timedelta(minutes=6))
    assert enrolled.answers() == []


def test_a_stop_together_with_a_sign_is_an_opt_out_and_a_concern(enrolled: Office) -> None:
    taken = enrolled.reply("STOP texting me. There is pus and a red streak up my foot")
    assert taken.label == "urgent"
    assert enrolled.contact_states() == ["stopped"]
    assert "asked to stop messages: telephone" in one_concern(enrolled).summary
    assert ["no more texts" in text for text in enrolled.answers()] == [True]


def test_a_stop_that_joins_an_open_concern_tells_staff_to_telephone(enrolled: Office) -> None:
    enrolled.reply(URGENT)
    enrolled.reply("pus again, STOP texting me")
    assert one_concern(enrolled).summary.endswith("asked to stop messages: telephone")


def test_start_lets_the_rest_of_the_course_go_on(enrolled: Office) -> None:
    enrolled.reply("STOP")
    enrolled.play("2026-06-11T09:00")
    assert enrolled.reply("START").answered_with == "answer_started"
    (answer,) = enrolled.answers()
    assert "again" in answer
    enrolled.play("2026-06-11T12:00")
    assert any("first dressing" in text for text in enrolled.texts[-2:])
    assert [each[0] for each in enrolled.consents(1)] == ["given", "withdrawn", "given"]


def test_help_names_the_practice_its_number_and_the_emergency_number(enrolled: Office) -> None:
    taken = enrolled.reply("HELP")
    assert (taken.label, taken.concern_id) == ("help", None)
    (answer,) = enrolled.answers()
    assert all(part in answer for part in ("Example Foot Care", "312-555-0100", "911", "STOP"))


def test_help_is_answered_after_a_stop_as_it_was_asked_for(enrolled: Office) -> None:
    enrolled.reply("STOP")
    enrolled.answers()
    enrolled.reply("HELP")
    assert len(enrolled.answers()) == 1


# --- wrong person


def test_after_a_wrong_number_nothing_of_the_patient_ever_goes_there_again(enrolled: Office) -> None:
    taken = enrolled.reply("You have the wrong number")
    assert enrolled.contact_states() == ["released"]
    concern = one_concern(enrolled)
    assert (concern.kind, concern.id, concern.patient_id) == ("wrong_person", taken.concern_id, 1)
    assert "find the patient's right number" in concern.summary
    (apology,) = enrolled.answers()
    assert "no more texts to this number" in apology
    before = len(enrolled.texts)
    enrolled.play("2026-07-30T12:00")
    assert len(enrolled.texts) == before
    assert {m.state for m in enrolled.messages(1)} == {"sent", "withheld"}


def test_a_shared_number_given_back_is_nobody_s_and_staff_look_for_each(enrolled: Office) -> None:
    enrolled.enroll(first_name="Kim", factors=("child",))
    enrolled.dispatcher.run_once()
    enrolled.reply("wrong person, I don't know them")
    assert enrolled.contact_states() == ["released", "released"]
    assert {each.patient_id for each in enrolled.concerns()} == {1, 2}
    enrolled.answers()
    before = len(enrolled.texts)
    enrolled.play("2026-07-30T12:00")
    assert len(enrolled.texts) == before


def test_start_does_not_bring_a_released_number_back(enrolled: Office) -> None:
    enrolled.reply("wrong number")
    enrolled.answers()
    assert enrolled.reply("START").answered_with is None
    assert enrolled.contact_states() == ["released"]


def test_a_wrong_number_said_twice_is_answered_and_told_to_staff_once(enrolled: Office) -> None:
    enrolled.reply("wrong number")
    enrolled.answers()
    enrolled.clock.advance(timedelta(hours=3))
    taken = enrolled.reply("I said wrong number")
    assert (taken.answered_with, taken.patient_id) == (None, None)
    assert len(enrolled.concerns()) == 1


def test_the_holder_of_a_released_number_in_an_emergency_is_told_to_call(enrolled: Office) -> None:
    enrolled.reply("wrong number")
    enrolled.answers()
    taken = enrolled.reply(EMERGENCY)
    assert (taken.answered_with, taken.patient_id) == ("answer_emergency", None)
    (answer,) = enrolled.answers()
    assert "Call 911 now" in answer
    assert "Robin" not in answer


def test_the_answer_to_a_wrong_person_does_not_tell_the_patient_s_language(office: Office) -> None:
    office.enroll(language="es")
    office.answers()
    office.reply("sorry, you have the wrong number")
    (apology,) = office.answers()
    assert "We are sorry" in apology


# --- how urgent


def test_an_emergency_at_night_is_answered_at_once_and_due_within_minutes(enrolled: Office) -> None:
    enrolled.play("2026-06-11T03:00")
    taken = enrolled.reply(EMERGENCY)
    concern = one_concern(enrolled)
    assert (taken.label, concern.urgency, concern.id) == ("emergency", "emergency", taken.concern_id)
    assert wall(concern.due_at) == "2026-06-11 03:15"
    (answer,) = enrolled.answers()
    assert "Call 911 now" in answer
    assert enrolled.handed_over[-1]["at"].startswith("2026-06-11T08:00")  # 03:00 in Chicago, amid quiet hours


def test_an_urgent_reply_by_day_promises_a_call_today_and_is_due_by_then(enrolled: Office) -> None:
    enrolled.reply(URGENT)
    concern = one_concern(enrolled)
    assert (concern.urgency, wall(concern.due_at)) == ("urgent", "2026-06-10 15:00")
    (answer,) = enrolled.answers()
    assert "We will call you today by 3:00" in answer.replace("\u202f", " ")


def test_late_in_the_day_the_promise_ends_with_the_opening_hours(enrolled: Office) -> None:
    enrolled.play("2026-06-10T17:00")
    enrolled.reply(URGENT)
    assert wall(one_concern(enrolled).due_at) == "2026-06-10 17:30"


def test_an_urgent_reply_at_night_names_whom_to_call_and_is_due_soon_after_opening(enrolled: Office) -> None:
    enrolled.play("2026-06-12T22:00")  # a Friday
    enrolled.reply(URGENT)
    assert wall(one_concern(enrolled).due_at) == "2026-06-15 09:30"
    (answer,) = enrolled.answers()
    assert "call 312-555-0199 now" in answer
    assert "today" not in answer


def test_a_routine_reply_is_due_on_the_next_working_day(enrolled: Office) -> None:
    enrolled.play("2026-06-12T12:00")
    enrolled.reply(ROUTINE)
    concern = one_concern(enrolled)
    assert (concern.urgency, wall(concern.due_at)) == ("routine", "2026-06-15 17:30")
    (answer,) = enrolled.answers()
    assert "Mon, Jun 15" in answer


@pytest.mark.parametrize("text", ["ok thanks", "Thank you!", "done", "\N{THUMBS UP SIGN}"])
def test_thanks_are_kept_and_nothing_else(enrolled: Office, text: str) -> None:
    taken = enrolled.reply(text)
    assert (taken.label, taken.concern_id, taken.answered_with) == ("none", None, None)
    assert enrolled.concerns() == []
    assert enrolled.answers() == []
    assert enrolled.kept_reply(taken.reply_id).text == text


def test_what_is_not_understood_reaches_a_person(enrolled: Office) -> None:
    taken = enrolled.reply("blrgh flrp qwx")
    assert taken.label == "routine"
    assert one_concern(enrolled).signs == ["unclear"]


# --- what the reply answers


def test_a_number_after_the_pain_check_in_is_a_pain_score(enrolled: Office) -> None:
    enrolled.play("2026-06-13T19:30")
    taken = enrolled.reply("8")
    assert (taken.label, enrolled.kept_reply(taken.reply_id).after) == ("urgent", "checkin_pain")


def test_no_to_the_check_in_is_urgent_and_yes_closes_it(enrolled: Office) -> None:
    enrolled.play("2026-06-11T12:45")
    assert enrolled.reply("NO").label == "urgent"
    assert enrolled.reply("YES").label == "none"


def test_an_answer_after_another_message_goes_to_the_question_still_open(enrolled: Office) -> None:
    # asked at 19:00 on day 3, and the morning's soak came between
    enrolled.play("2026-06-14T08:30")
    taken = enrolled.reply("7")
    reply = enrolled.kept_reply(taken.reply_id)
    assert (taken.label, reply.after) == ("urgent", "checkin_pain")
    assert reply.message_id == enrolled.message(1, "soak", 5).id


def test_a_question_asked_long_ago_is_not_answered_by_a_number(enrolled: Office) -> None:
    enrolled.play("2026-06-15T12:00")
    taken = enrolled.reply("7")
    assert (taken.label, enrolled.kept_reply(taken.reply_id).after) == ("routine", "ointment_stop")


def test_c_confirms_the_visit(office: Office) -> None:
    office.enroll(visit="2026-06-24T10:00")
    office.play("2026-06-22T13:00")
    taken = office.reply("C")
    assert (taken.label, office.kept_reply(taken.reply_id).after) == ("none", "visit")


def test_long_after_the_last_message_the_patient_s_factors_still_count(office: Office) -> None:
    # day 10, three days after the last check-in: the course is known though nothing was asked lately
    office.enroll(factors=("diabetes",))
    office.play("2026-06-21T12:00")
    taken = office.reply("some new redness around the toe")
    reply = office.kept_reply(taken.reply_id)
    assert (reply.after, reply.enrollment_id, reply.message_id) == ("none", 1, None)
    assert one_concern(office).enrollment_id == 1


def test_under_a_shared_number_whoever_was_told_something_last_is_meant(office: Office) -> None:
    office.enroll(first_name="Robin")
    office.play("2026-06-10T15:00")
    office.enroll(first_name="Kim", factors=("child",))
    office.answers()
    assert office.reply(ROUTINE).patient_id == 2
    office.play("2026-06-10T17:40")  # Robin's pain relief went out at 17:30
    assert office.reply("is this the right medicine?").patient_id == 1


# --- concerns that replies join


def test_a_later_reply_joins_the_open_concern_and_urgency_only_rises(enrolled: Office) -> None:
    first = enrolled.reply(ROUTINE)
    raised = enrolled.reply(URGENT)
    joined = enrolled.reply(ROUTINE)
    assert first.concern_id == raised.concern_id == joined.concern_id
    concern = one_concern(enrolled)
    assert concern.urgency == "urgent"
    assert {"pus", "reschedule"} <= set(concern.signs)
    assert [event.action for event in enrolled.history(concern.id or 0)] == ["opened", "raised", "reply"]
    assert wall(concern.due_at) == "2026-06-10 15:00"


def test_a_taken_concern_that_becomes_more_urgent_is_open_to_everybody_again(enrolled: Office) -> None:
    enrolled.reply(ROUTINE)
    with enrolled.database.writing() as session:
        take_concern(session, enrolled.desk, 1, by="Ada")
    enrolled.reply(ROUTINE)
    assert (one_concern(enrolled).state, one_concern(enrolled).taken_by) == ("taken", "Ada")
    enrolled.reply(EMERGENCY)
    assert (one_concern(enrolled).state, one_concern(enrolled).taken_by) == ("open", None)


def test_after_a_concern_is_closed_the_next_reply_opens_another(enrolled: Office) -> None:
    first = enrolled.reply(URGENT)
    with enrolled.database.writing() as session:
        close_concern(session, enrolled.desk, first.concern_id or 0, CallBack(outcome="reached"), by="Ada")
    assert enrolled.reply(URGENT).concern_id != first.concern_id


def test_the_history_of_a_concern_holds_no_words_of_the_patient(enrolled: Office) -> None:
    enrolled.reply("pus, and my secret is xylophone")
    assert not any("xylophone" in event.note for event in enrolled.history(1))
    assert "xylophone" not in one_concern(enrolled).summary


# --- loops, doubles, strangers


def test_what_the_gateway_delivers_twice_counts_once(enrolled: Office) -> None:
    first = enrolled.reply(URGENT, gateway_ref="abc-1")
    before = enrolled.dump()
    again = enrolled.reply(URGENT, gateway_ref="abc-1")
    assert (again.is_new, again.reply_id, again.label) == (False, first.reply_id, first.label)
    assert enrolled.dump() == before
    assert enrolled.reply(URGENT, gateway_ref="abc-2").is_new


def test_one_reference_on_two_channels_is_two_replies(enrolled: Office) -> None:
    enrolled.reply("hello", gateway_ref="1")
    assert enrolled.reply("hello", gateway_ref="1", channel="email", sender="pat@example.org").is_new


def test_two_machines_that_answer_each_other_soon_fall_silent(enrolled: Office) -> None:
    answered = 0
    for _ in range(300):
        enrolled.clock.advance(timedelta(minutes=10))
        enrolled.reply("blrgh flrp qwx")
        answered += len([text for text in enrolled.answers() if "will read your message" in text])
    # in 50 hours; every one of them is kept, and in one concern
    assert 1 <= answered <= 24
    assert len(enrolled.concerns()) == 1


def test_an_emergency_is_answered_again_only_after_a_while(enrolled: Office) -> None:
    answered = [enrolled.reply(EMERGENCY).answered_with]
    enrolled.clock.advance(timedelta(minutes=9))
    answered.append(enrolled.reply(EMERGENCY).answered_with)
    enrolled.clock.advance(timedelta(minutes=2))
    answered.append(enrolled.reply(EMERGENCY).answered_with)
    assert answered == ["answer_emergency", None, "answer_emergency"]


def test_a_stranger_s_emergency_is_a_concern_and_answered(office: Office) -> None:
    taken = office.reply(EMERGENCY, sender="+13125550155")
    assert (taken.patient_id, taken.answered_with) == (None, "answer_emergency")
    assert "from an address nobody is known under" in one_concern(office).summary
    assert len(office.answers()) == 1


def test_a_stranger_s_chatter_reaches_a_person_and_is_not_answered(office: Office) -> None:
    taken = office.reply("hey is this the pizza place", sender="+13125550155")
    assert taken.answered_with is None
    assert one_concern(office).patient_id is None


def test_a_stranger_who_has_the_wrong_number_is_told_sorry(office: Office) -> None:
    taken = office.reply("wrong number", sender="+13125550155")
    assert taken.answered_with == "answer_wrong_person"
    assert "no patient has" in one_concern(office).summary


def test_a_stranger_who_says_wrong_number_again_and_again_is_one_concern(office: Office) -> None:
    said = [
        Incoming(channel="sms", sender="+13125550155", text=text) for text in ("wrong number", "wrong number!!", "stop")
    ]
    with office.database.writing() as session:
        take_replies(session, office.desk, said)
    office.clock.advance(timedelta(hours=3))
    office.reply("you have the wrong number", sender="+13125550155")
    assert [each.action for each in office.history(one_concern(office).id or 0)] == ["opened", "reply", "reply"]
    office.reply(EMERGENCY, sender="+13125550155")
    assert one_concern(office).urgency == "emergency"


def test_a_stopped_patient_in_an_emergency_is_told_to_call(enrolled: Office) -> None:
    enrolled.reply("STOP")
    enrolled.answers()
    enrolled.reply(EMERGENCY)
    (answer,) = enrolled.answers()
    assert "Call 911 now" in answer
    assert one_concern(enrolled).urgency == "emergency"


def test_a_stopped_patient_with_an_urgent_sign_is_called_and_not_written_to(enrolled: Office) -> None:
    enrolled.reply("STOP")
    enrolled.answers()
    assert enrolled.reply(URGENT).answered_with is None
    assert one_concern(enrolled).urgency == "urgent"
    assert enrolled.answers() == []


# --- every form


def test_a_spanish_patient_is_answered_in_spanish(office: Office) -> None:
    office.enroll(language="es")
    office.answers()
    taken = office.reply("me sale pus del dedo y huele mal")
    assert taken.label == "urgent"
    (answer,) = office.answers()
    assert "Gracias" in answer


def test_a_spanish_stop_stops(office: Office) -> None:
    office.enroll(language="es")
    office.answers()
    assert office.reply("ALTO").label == "stop"
    assert office.contact_states() == ["stopped"]


def test_a_number_typed_with_spaces_is_the_same_sender(enrolled: Office) -> None:
    assert enrolled.reply("ok", sender=" (312) 555-0123 ").patient_id == 1


@pytest.mark.parametrize("written", ["442079460018", "00442079460018", "011442079460018", "+44 20 7946 0018"])
def test_a_number_from_abroad_is_the_same_sender_however_it_is_written(office: Office, written: str) -> None:
    office.enroll(phone="+44 20 7946 0018")
    assert office.reply("STOP", sender=written).patient_id == 1
    assert office.contacts(1) == {"+442079460018": "stopped"}


def test_an_address_in_capitals_is_the_same_sender(office: Office) -> None:
    office.enroll(email="robin@example.org", channel="email", phone="")
    office.answers()
    taken = office.reply("STOP", sender="Robin@Example.ORG", channel="email")
    assert taken.patient_id == 1
    assert office.contacts(1) == {"robin@example.org": "stopped"}


def test_a_short_code_may_write(office: Office) -> None:
    assert office.reply("hello", sender="28777").patient_id is None


@pytest.mark.parametrize("sender", ["", "   "])
def test_a_reply_without_a_sender_is_refused(office: Office, sender: str) -> None:
    before = office.dump()
    with pytest.raises(InputError, match="needs its sender"):
        office.reply("hello", sender=sender)
    assert office.dump() == before


def test_a_reply_of_a_hundred_kilobytes_is_read_and_cut(enrolled: Office) -> None:
    taken = enrolled.reply("there is pus. " + "word " * 20_000)
    assert taken.label == "urgent"
    assert len(enrolled.kept_reply(taken.reply_id).text) == 20_000


@pytest.mark.parametrize(
    "text",
    ["", "   \n", "\x00", "\x00\x1b[31mpus\x07", "\ud83d", "\u202ereversed", "'; DROP TABLE reply; --", "{{ 7 * 7 }}"],
    ids=["empty", "blank", "nul", "control", "half-a-pair", "override", "sql", "template"],
)
def test_whatever_characters_a_reply_has_it_is_kept(enrolled: Office, text: str) -> None:
    taken = enrolled.reply(text)
    assert taken.is_new
    assert "\x00" not in enrolled.kept_reply(taken.reply_id).text


def test_an_empty_reply_reaches_a_person(enrolled: Office) -> None:
    assert enrolled.reply("").concern_id is not None


def test_why_a_reply_was_judged_so_is_kept_with_it(enrolled: Office) -> None:
    taken = enrolled.reply(URGENT)
    why = enrolled.kept_reply(taken.reply_id).why
    assert any(each["words"] == "pus" and each["rule"].startswith("sign.") for each in why)


def test_a_reply_that_fails_half_way_leaves_nothing(enrolled: Office) -> None:
    before = enrolled.dump()

    def fail_after_all_was_done() -> None:
        with enrolled.database.writing() as session:
            take_reply(session, enrolled.desk, Incoming(channel="sms", sender=PHONE, text=URGENT))
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail_after_all_was_done()
    assert enrolled.dump() == before
