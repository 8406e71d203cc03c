"""Who asks for silence gets it, whatever they write, wherever and when; seen as somebody who looks for a way round.

47 CFR 64.1200(a)(10) as amended, 89 FR 15756 (5 March 2024): the words that revoke; (a)(12): one confirmation within
five minutes. Both as quoted in summaries, not read in the rule itself.
"""

from __future__ import annotations

from datetime import timedelta

import pytest

from reminders.care.values import Channel
from reminders.desk.take_reply import Incoming, take_reply
from reminders.errors import InputError
from reminders.records.people import consent_history
from reminders.records.practices import put_practice
from reminders.wording.answers import answer_languages, render_answer
from reminders.wording.facts import Sender
from tests.build import PLANS
from tests.desk.office import PHONE, Office, at

REGULATION = ("stop", "quit", "end", "revoke", "opt out", "cancel", "unsubscribe")
LANGUAGES = {
    "en": (*REGULATION, "STOPALL", "no more texts please", "do not contact me again"),
    "es": ("ALTO", "baja", "PARAR", "cancelar", "ya no me manden mensajes", "no me escriban más"),
    "vi": ("dừng", "STOP"),
    "ru": ("стоп", "STOP"),
    "ar": ("توقف", "STOP"),
    "zh-Hans": ("停止", "退订", "STOP"),
}
ROBIN = "robin@example.org"
EMERGENCY = "I can't breathe and my face is swelling up"
SMS = {"channel": "sms", "sender": PHONE}
EMAIL = {"channel": "email", "sender": ROBIN}


def enrolled(office: Office, **facts: object) -> Office:
    """The practice with Robin, who has a number and an e-mail address, and whose first message went out."""
    office.enroll(**({"email": ROBIN} | facts))
    office.answers()
    return office


def to(office: Office, address: str) -> list[str]:
    return [each["text"] for each in office.handed_over if each["to"] == address]


@pytest.mark.parametrize("word", REGULATION)
@pytest.mark.parametrize("way", [SMS, EMAIL], ids=["sms", "email"])
def test_each_word_of_the_regulation_ends_everything_on_its_channel(
    office: Office, word: str, way: dict[str, str]
) -> None:
    enrolled(office, channel=way["channel"])
    before = len(to(office, way["sender"]))
    assert office.reply(f" {word.upper()}! ", **way).answered_with == "answer_stopped"
    assert office.contacts(1)[way["sender"]] == "stopped"
    office.play("2026-07-30T12:00")
    assert len(to(office, way["sender"])) == before + 1  # the confirmation, and nothing after it
    other = (SMS, EMAIL)[way is SMS]["sender"]
    assert office.contacts(1)[other] == "active"


@pytest.mark.parametrize(("language", "word"), [(code, word) for code, words in LANGUAGES.items() for word in words])
def test_the_words_of_each_language_stop_whichever_the_patient_chose(office: Office, language: str, word: str) -> None:
    enrolled(office, language=language)
    assert office.reply(word).label == "stop"
    assert office.contact_states() == ["stopped"]


@pytest.mark.parametrize(
    "written",
    [
        *(
            "ＳＴＯＰ",
            "stop\N{PERSON WITH FOLDED HANDS}",
            "\N{ZERO WIDTH SPACE}STOP",
            "“STOP”",
            "*stop*",
            "STOP STOP STOP",
        ),
        *("Stop.\n\n", "sotp", "Stop, thanks", "I revoke my consent", "delete my number", "leave me alone"),
    ],
)
def test_a_stop_is_one_however_it_is_dressed(office: Office, written: str) -> None:
    enrolled(office)
    office.reply(written)
    assert office.contact_states() == ["stopped"]


def test_a_stop_at_night_is_confirmed_at_once(office: Office) -> None:
    # quiet hours are for what we begin; the confirmation answers, and is presumed allowed within five minutes
    enrolled(office)
    office.play("2026-06-11T03:00")
    office.reply("STOP")
    (confirmation,) = office.answers()
    assert "no more texts" in confirmation
    assert office.handed_over[-1]["at"].startswith("2026-06-11T08:00")  # 03:00 in Chicago


def test_the_confirmation_is_sent_within_five_minutes_or_not_at_all(office: Office) -> None:
    enrolled(office)
    office.reply("STOP")
    (waiting,) = [m for m in office.messages() if m.key == "answer_stopped"]
    assert waiting.useful_until - office.clock.now() == timedelta(minutes=5)
    office.clock.advance(timedelta(minutes=5, seconds=1))
    assert office.answers() == []


def test_an_answer_that_waits_when_the_stop_comes_is_not_sent(office: Office) -> None:
    enrolled(office)
    office.reply("can I take a shower?")
    office.reply("STOP")
    assert ["no more texts" in text for text in office.answers()] == [True]


def test_after_a_stop_neither_a_new_course_nor_a_change_of_facts_speaks(office: Office) -> None:
    enrolled(office)
    office.reply("STOP")
    office.answers()
    before = len(office.texts)
    office.replan(1, visit=at("2026-06-24T10:00"))
    office.play("2026-06-26T12:00")
    assert len(office.texts) == before


def test_an_emergency_with_a_stop_is_answered_with_the_emergency_number_and_a_person_telephones(office: Office) -> None:
    enrolled(office)
    office.reply(f"STOP texting me. {EMERGENCY}")
    (only,) = office.answers()
    assert "Call 911 now" in only
    assert office.contact_states() == ["stopped"]
    assert "telephone" in office.concerns()[0].summary


def test_a_parent_of_two_stops_both_and_is_told_once(office: Office) -> None:
    enrolled(office, first_name="Kim", factors=("child",), email="")
    office.enroll(first_name="Lee", factors=("child",))
    office.answers()
    office.reply("STOP")
    assert office.contact_states() == ["stopped", "stopped"]
    assert len(office.answers()) == 1
    assert [office.consents(patient)[-1][0] for patient in (1, 2)] == ["withdrawn", "withdrawn"]
    office.reply("START")
    assert office.contact_states() == ["active", "active"]
    assert len(office.answers()) == 1


def test_a_stop_to_one_practice_leaves_another_practice_alone(office: Office) -> None:
    enrolled(office)
    with office.database.writing() as session:
        put_practice(session, "other", "Other Practice", at=office.clock.now())
        other = type(office.desk)(**{**vars(office.desk), "practice_id": "other"})
        taken = take_reply(session, other, Incoming(channel="sms", sender=PHONE, text="STOP"))
    assert (taken.patient_id, office.contact_states()) == (None, ["active"])


def test_a_wrong_person_is_never_sent_anything_of_the_patient_again_by_any_way(office: Office) -> None:
    enrolled(office)
    office.reply("wrong number, I am not Robin")
    office.answers()
    before = len(to(office, PHONE))
    office.replan(1, visit=at("2026-06-24T10:00"))
    with pytest.raises(InputError, match="not this patient's"):
        office.enroll()  # the same patient under the same number
    office.play("2026-06-12T12:00")
    office.reply("thanks")
    office.reply("what was that about?")
    office.reply("START")
    office.play("2026-07-30T12:00")
    assert len(to(office, PHONE)) == before
    assert office.contact_states() == ["released"]
    # the task to find the right number is there, and names nothing to whoever holds the wrong one
    assert [each.kind for each in office.concerns() if each.patient_id == 1] == ["wrong_person"]


def test_a_stop_by_the_wrong_person_is_answered_once_and_releases(office: Office) -> None:
    enrolled(office)
    office.reply("stop texting, wrong number")
    assert office.contact_states() == ["released"]
    assert len(office.answers()) == 1


@pytest.mark.parametrize("before", ["active", "stopped"])
def test_start_is_answered_and_counts_as_consent(office: Office, before: str) -> None:
    enrolled(office)
    if before == "stopped":
        office.reply("STOP")
        office.answers()
    office.reply("START")
    assert office.contact_states() == ["active"]
    assert len(office.answers()) == 1
    assert office.consents(1)[-1][0] == "given"


def test_the_history_keeps_the_very_words(office: Office) -> None:
    enrolled(office)
    office.reply("Please stop texting me, Robin")
    with office.database.reading() as session:
        last = consent_history(session, 1)[-1]
    assert (last.action, last.source, last.wording) == ("withdrawn", "reply", "Please stop texting me, Robin")


@pytest.mark.parametrize("language", answer_languages(PLANS / "shared"))
@pytest.mark.parametrize("channel", [Channel.SMS, Channel.EMAIL])
def test_help_names_practice_number_emergency_and_how_to_stop_in_every_language(
    language: str, channel: Channel
) -> None:
    sender = Sender(
        practice_name="Example Foot Care",
        practice_phone="312-555-0100",
        after_hours_phone="312-555-0199",
        emergency_number="911",
    )
    rendered = render_answer("answer_help", language=language, channel=channel, sender=sender, shared=PLANS / "shared")
    for part in ("Example Foot Care", "312-555-0100", "312-555-0199", "911", "STOP"):
        assert part in f"{rendered.subject} {rendered.text}"
