"""Automatic answers to replies: short, clear about emergencies, and silent about the patient."""

from __future__ import annotations

import re
import shutil
import tomllib
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from reminders.care.values import Channel
from reminders.errors import NotFound
from reminders.wording.answers import answer_languages, render_answer
from reminders.wording.facts import ANSWERS
from reminders.wording.render import Rendered, Sender
from tests.build import PLANS

SHARED = PLANS / "shared"
SENDER = Sender(
    practice_name="Riverside Practice, Suite",
    practice_phone="+1 415 555 0100",
    after_hours_phone="+1 415 555 0101",
    emergency_number="911",
)
DUE = datetime(2026, 3, 9, 13, 30, tzinfo=ZoneInfo("America/Los_Angeles"))


def answer(
    name: str, language: str = "en", channel: Channel = Channel.SMS, **values: datetime | bool | None
) -> Rendered:
    return render_answer(name, language=language, channel=channel, sender=SENDER, shared=SHARED, **values)


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("name", ANSWERS)
@pytest.mark.parametrize("due", [None, DUE], ids=["no due", "due"])
@pytest.mark.parametrize(
    "hours", [{"office_open": True}, {"office_closing": True}, {}], ids=["open", "closing", "closed"]
)
def test_an_answer_takes_at_most_two_segments(
    name: str, language: str, due: datetime | None, hours: dict[str, bool | datetime | None]
) -> None:
    hours = {**hours, "due": due}
    rendered = answer(name, language, Channel.SMS, **hours)
    assert rendered.text.startswith("Riverside Practice, Suite: ")
    assert (rendered.encoding, rendered.segments <= 2) == ("gsm7", True)
    email = answer(name, language, Channel.EMAIL, **hours)
    assert email.subject
    assert email.text.endswith("Riverside Practice, Suite\n")


SAYS = [
    ("answer_stopped", "en", {}, "no more texts|START|0100"),
    ("answer_stopped", "es", {}, "No le enviaremos otros mensajes|START|0100"),
    ("answer_started", "en", {}, "again|STOP|911"),
    ("answer_help", "en", {}, "0100|0101|911|STOP"),
    ("answer_emergency", "en", {"on_call": True}, "Call 911 now|Do not wait for us|on-call"),
    ("answer_emergency", "es", {"on_call": True}, "Llame al 911 ahora|No nos espere|guardia"),
    ("answer_urgent", "en", {"office_open": True, "due": DUE}, "We will call you today by 1:30 PM.|0100|911"),
    ("answer_urgent", "en", {"office_open": True}, "We will call you today.|0100|911"),
    ("answer_urgent", "en", {}, "Our office is closed. Please call +1 415 555 0101 now.|911"),
    ("answer_urgent", "en", {"office_closing": True}, "Our office is closing. Please call +1 415 555 0101 now.|911"),
    ("answer_urgent", "es", {"office_open": True, "due": DUE}, "Le llamaremos hoy (antes de la 1:30 p.m.).|0100|911"),
    ("answer_routine", "en", {"due": DUE}, "answer you by Mon, Mar 9.|0100|911"),
    ("answer_wrong_person", "en", {}, "no more texts to this number"),
]


@pytest.mark.parametrize(("name", "language", "values", "phrases"), SAYS)
def test_an_answer_says_what_it_must(
    name: str, language: str, values: dict[str, datetime | bool], phrases: str
) -> None:
    text = answer(name, language, Channel.SMS, **values).text
    for phrase in phrases.split("|"):
        assert phrase in text


def test_without_a_number_for_the_night_the_patient_is_sent_to_urgent_care() -> None:
    sender = Sender(practice_name="R", practice_phone="+1 415 555 0100", after_hours_phone="", emergency_number="911")
    text = render_answer(
        "answer_urgent", language="en", channel=Channel.SMS, sender=sender, shared=SHARED, office_open=False
    ).text
    assert "go to urgent care now" in text


@pytest.mark.parametrize("channel", Channel)
@pytest.mark.parametrize("language", ["en", "es"])
def test_the_wrong_person_learns_nothing_about_care(language: str, channel: Channel) -> None:
    text = answer("answer_wrong_person", language, channel).text.removeprefix("Riverside Practice, Suite")
    for word in ("care", "cuidado", "patient", "paciente", "visit", "cita", "treat", "trat"):
        assert word not in text.lower()


def test_an_unknown_answer_or_language_is_refused(tmp_path: Path) -> None:
    with pytest.raises(NotFound, match="answer_help"):
        answer("answer_nonsense")
    with pytest.raises(NotFound, match="there are ar, en, es, ru, vi, zh-Hans"):
        answer("answer_help", "tlh")
    shutil.copytree(SHARED / "es", tmp_path / "es")
    assert answer_languages(tmp_path) == ("es",)


LANGUAGES = answer_languages(SHARED)


@pytest.mark.parametrize("channel", Channel)
@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("name", ANSWERS)
def test_every_language_answers_with_the_numbers_to_call(name: str, language: str, channel: Channel) -> None:
    original = answer(name, "en", channel, office_open=True, due=DUE)
    text = answer(name, language, channel, office_open=True, due=DUE).text
    for number in ("911", SENDER.practice_phone, "STOP", "START"):
        assert (number in text) >= (number in original.text) or language == "es", f"{number} is missing in {text}"
    assert "{{" not in text


@pytest.mark.parametrize("language", [code for code in LANGUAGES if code not in {"en", "es"}])
@pytest.mark.parametrize("name", ANSWERS)
def test_an_answer_in_another_script_takes_at_most_three_segments(name: str, language: str) -> None:
    for is_open, closing in ((True, False), (False, True), (False, False)):
        assert answer(name, language, office_open=is_open, office_closing=closing, due=DUE).segments <= 3


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_sheet_has_the_same_places_to_fill(language: str) -> None:
    def places(code: str) -> dict[str, list[str]]:
        words = tomllib.loads((SHARED / code / "sheet.toml").read_text("utf-8"))
        return {key: sorted(re.findall(r"\{\w+\}", text)) for key, text in words.items()}

    assert places(language) == places("en")
