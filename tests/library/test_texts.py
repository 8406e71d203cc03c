"""What the texts of particular plans must say, and must never say; and that none grows too long on any weekday."""

from __future__ import annotations

import re

import pytest

from reminders.care.plan import ChoiceSetting
from reminders.care.resolving import effective_settings
from reminders.care.values import Channel
from reminders.errors import InputError
from reminders.wording.review.parts import MOST_SEGMENTS
from tests.library.shelf import LANGUAGES, PROCEDURES, Said, everything, plan_named, said

DISCREET = ("contraceptive-implant", "iud-insertion", "vasectomy")
WEEK = [f"2026-09-{day:02}T10:30" for day in range(7, 14)]
"""Monday to Sunday; in September dates are the longest, and `sábado` alone needs the wide alphabet."""


@pytest.mark.parametrize("end", WEEK)
@pytest.mark.parametrize("procedure", PROCEDURES)
def test_a_text_stays_within_its_parts_on_every_weekday(procedure: str, end: str) -> None:
    plan = plan_named(procedure)
    for language in LANGUAGES:
        for each in said(procedure, language=language, factors=[n for n in plan.file.factors if n != "child"], end=end):
            important = each.each.required and each.each.importance == 1
            assert each.rendered.segments <= (3 if important else 2), each.body
    assert max(MOST_SEGMENTS.values()) == 3


def told_to_put_on(each: Said) -> list[str]:
    """The sentences about ointment, petroleum jelly, antiseptic or tape that do not forbid it."""
    words = r"ointment|jelly|antiseptic|\btape\b|pomada|vaselina|desinfectante|\bcinta\b"
    forbids = r"\bnothing\b|\bno\b|\bnot\b|\bnada\b|\bni\b"
    sentences = re.split(r"(?<=[.!?])\s+", each.body)
    return [
        text
        for text in sentences
        if re.search(words, text, re.IGNORECASE) and not re.search(forbids, text, re.IGNORECASE)
    ]


@pytest.mark.parametrize("channel", Channel)
@pytest.mark.parametrize("language", LANGUAGES)
def test_no_text_puts_anything_on_skin_adhesive(language: str, channel: Channel) -> None:
    # Ointment dissolves the film: patient-education sheet; Forsch, Am Fam Physician 2008;78:945-951.
    found = everything("laceration-adhesive", language, channel, settings={"moves_much": "yes"})
    assert [text for each in found for text in told_to_put_on(each)] == []
    assert any(re.search("ointment|pomada", each.body) for each in found)


def test_the_exclusion_test_would_find_the_ointment_of_another_plan() -> None:
    assert any(told_to_put_on(each) for each in everything("punch-biopsy", "en"))


TELLING = {
    "en": r"contracept|birth control|condom|\bsex\b|sperm|sterile|semen|pregnan|period\b|vagin|uter|thread|\biud\b"
    r"|implant|vasect|scrot|testic|ejacul|tampon|womb",
    "es": r"anticoncep|condon|condón|\bsexo\b|esperm|estéril|semen|embaraz|\bregla\b|vagin|úter|\bhilos?\b|\bdiu\b"
    r"|implant|vasect|escrot|testíc|eyacul|tampon|hijos",
}


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("procedure", DISCREET)
def test_a_shared_screen_learns_nothing(procedure: str, language: str) -> None:
    for channel in Channel:
        for each in everything(procedure, language, channel):
            assert not re.search(TELLING[language], each.body, re.IGNORECASE), each.body
            assert not re.search(TELLING[language], each.rendered.subject or "", re.IGNORECASE)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("procedure", DISCREET)
def test_plain_words_need_an_agreement_and_stay_out_of_sms_and_subjects(procedure: str, language: str) -> None:
    open_words = {"discreet": "no"}
    emails = everything(procedure, language, Channel.EMAIL, settings=open_words)
    assert any(re.search(TELLING[language], each.body, re.IGNORECASE) for each in emails)
    for each in emails:
        assert not re.search(TELLING[language], each.rendered.subject or "", re.IGNORECASE)
    for each in everything(procedure, language, settings=open_words):
        assert not re.search(TELLING[language], each.body, re.IGNORECASE), each.body


@pytest.mark.parametrize("procedure", DISCREET)
def test_no_guardian_is_addressed_about_what_is_the_patients_own(procedure: str) -> None:
    for each in said(procedure, factors=["child"], channel=Channel.EMAIL):
        assert "your child" not in each.body.lower()


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_text_tells_a_patient_that_a_vasectomy_has_worked(language: str) -> None:
    clear = {"en": r"you are (?:now )?(?:sterile|clear)(?! only)", "es": r"ya (?:no puede tener hijos|está list)"}
    for channel in Channel:
        for each in everything("vasectomy", language, channel, settings={"discreet": "no"}):
            assert not re.search(clear[language], each.body, re.IGNORECASE), each.body


def test_no_limit_for_blood_sugar_stands_in_a_text() -> None:
    # The limit is the practice's: facts on the rise (up to 500 mg/dL, JBJS Rev 2016;4(3)) are no threshold.
    for language in LANGUAGES:
        for channel in Channel:
            found = said("corticosteroid-injection", language=language, channel=channel, factors=["diabetes"])
            readings = [each.body for each in found if each.each.key == "readings"]
            assert len(readings) == 2
            for body in readings:
                assert not re.search(r"\d{3}|mg/d|mmol", re.sub(r"\+1 415 555 01\d\d|911", "", body)), body


def test_who_has_no_diabetes_is_not_told_of_readings() -> None:
    assert not [each for each in said("corticosteroid-injection") if each.each.key == "readings"]


@pytest.mark.parametrize(("language", "words"), [("en", "first 24 hours"), ("es", "primeras 24 horas")])
def test_a_streak_after_cantharidin_is_told_apart_and_still_needs_a_call(language: str, words: str) -> None:
    # Chemical lymphangitis within 24 h, infection from day 2 or 3: University of Utah, dermatology teaching text.
    (body,) = [
        each.body
        for each in said("wart-cantharidin", language=language, channel=Channel.EMAIL)
        if each.each.key == "blister_normal"
    ]
    assert words in body
    assert re.search("call us the same day for any red streak|llame el mismo día por cualquier raya roja", body.lower())
    assert any("streak" in caution for caution in plan_named("wart-cantharidin").file.cautions)


@pytest.mark.parametrize(("hours", "clock"), [(2, "12:30 PM"), (4, "2:30 PM"), (24, "10:30 AM")])
def test_cantharidin_says_the_hour_at_which_it_comes_off(hours: int, clock: str) -> None:
    found = said("wart-cantharidin", settings={"wash_off_hours": hours})
    (plan,) = [each.body for each in found if each.each.key == "until_wash_off"]
    assert clock in plan.replace("\u202f", " ")
    assert "Wash it at once if it burns a lot" in plan


def test_a_mole_is_frozen_only_after_a_clinician_confirmed_it_is_harmless() -> None:
    # A pigmented mole needs a diagnosis first: Therapeutic Guidelines (Australia), cryotherapy.
    plan = plan_named("actinic-keratosis-cryotherapy")
    with pytest.raises(InputError, match="needs confirmed_harmless to be recorded: A clinician has confirmed"):
        effective_settings(plan, {"reason": "mole"})
    values = effective_settings(plan, {"reason": "mole", "confirmed_harmless": "yes"})
    assert values["reason"] == "mole"
    assert effective_settings(plan, {})["reason"] == "actinic_keratosis"
    confirmed = plan.file.settings["confirmed_harmless"]
    assert isinstance(confirmed, ChoiceSetting)
    assert confirmed.default == ""


def test_packing_decides_when_soaking_begins() -> None:
    unpacked = {each.each.key for each in said("abscess-incision-drainage")}
    packed = {each.each.key for each in said("abscess-incision-drainage", factors=["packed"])}
    assert unpacked - packed == {"keep_dry", "soak"}
    assert packed - unpacked == {"packing_stays", "soak_after_packing"}


@pytest.mark.parametrize(("chemical", "grows"), [("none", True), ("phenol", False), ("sodium_hydroxide", False)])
def test_a_treated_root_decides_whether_a_nail_grows_again(chemical: str, grows: bool) -> None:
    (body,) = [
        each.body
        for each in said("total-nail-avulsion", settings={"chemical": chemical})
        if each.each.key == "regrowth"
    ]
    assert ("grows back" in body, "should not grow back" in body) == (grows, not grows)
