"""What may not leave: template marks, words that a locked screen shows, numbers nobody knows, signs that cost."""

from __future__ import annotations

import pytest

from reminders.wording.review import characters
from reminders.wording.review.word_lists import WordLists, read_word_lists
from reminders.wording.sms import measure
from tests.build import LEAD, PLANS


@pytest.fixture(scope="module", params=["en", "es"])
def lists(request: pytest.FixtureRequest) -> WordLists:
    """The words of a language, the lead procedure's own among them."""
    return words_of(request.param)


def words_of(language: str) -> WordLists:
    return read_word_lists(language, folder=PLANS / LEAD, shared=PLANS / "shared")


@pytest.mark.parametrize(
    "text",
    ["Soak {{ soak_minutes }} min", "{% if child %}", "Soak { soak_minutes } min", "at None", "<Plan object at 0x1>"],
)
def test_what_is_left_of_a_template_is_seen(text: str) -> None:
    assert [flaw.rule for flaw in characters.unfinished_flaws(text)][:1] == ["unrendered"]


@pytest.mark.parametrize("text", ["Soak 10 min.", "Nothing hurts? Reply NO.", "a < b"])
def test_plain_words_are_no_template(text: str) -> None:
    assert list(characters.unfinished_flaws(text)) == []


@pytest.mark.parametrize(
    ("language", "text", "kind"),
    [
        ("en", "Keep your toe dry.", "names a body site"),
        ("en", "Is the TOENAILS area red?", "names a body site"),
        ("en", "It may be infected.", "names an illness"),
        ("en", "After your surgery", "names a procedure"),
        ("en", "You take warfarin", "names a substance"),
        ("es", "Mantenga la uña seca.", "names a body site"),
        ("es", "Puede estar infectada.", "names an illness"),
    ],
)
def test_a_word_about_body_or_illness_is_private(language: str, text: str, kind: str) -> None:
    (flaw,) = characters.private_flaws(text, words_of(language), where="it")
    assert flaw.rule == "private_word"
    assert kind in flaw.message


@pytest.mark.parametrize("text", ["Total rest today.", "Take a photo, then call.", "The area may be red."])
def test_a_word_that_only_holds_a_private_one_is_not(text: str) -> None:
    assert list(characters.private_flaws(text, words_of("en"), where="it")) == []


def test_an_sms_begins_with_who_writes(lists: WordLists) -> None:
    assert list(characters.first_line_flaws("Example Practice: hello", lists, practice_name="Example Practice")) == []
    (flaw,) = characters.first_line_flaws("Hello from us", lists, practice_name="Example Practice")
    assert "practice's name" in flaw.message


def test_what_a_locked_screen_shows_first_is_looked_at_harder() -> None:
    text = "Example Practice: fever? Call us."
    (flaw,) = characters.first_line_flaws(text, words_of("en"), practice_name="Example Practice")
    assert "'fever'" in flaw.message
    later = "Example Practice: a check.\nFever? Call us."
    assert list(characters.first_line_flaws(later, words_of("en"), practice_name="Example Practice")) == []


@pytest.mark.parametrize(
    ("text", "seen"),
    [
        ("Call 646-555-0199.", True),
        ("Call +1 (646) 555 0199 now.", True),
        ("Write to nurse@example.org.", True),
        ("See https://example.org/wound", True),
        ("Call 212-555-0100.", False),
        ("At most 3,000 mg in 24 hours, from 7:30 on.", False),
    ],
)
def test_only_the_practice_s_own_numbers_stand_in_a_text(text: str, seen: bool) -> None:
    found = list(characters.contact_flaws(text, known=("212-555-0100", "", "911")))
    assert [flaw.rule for flaw in found] == (["personal_detail"] if seen else [])


# 3GPP TS 23.038 cl. 6.2.1: what is in neither table makes the whole message UCS-2, 70 characters a part, not 160.
@pytest.mark.parametrize(
    ("text", "rule", "sign"),
    [
        ("Pat “dry”.", "typographic", "“"),
        ("Wait – then call.", "typographic", "–"),
        ("Tome té, luego mida su pulso.", "", ""),
        ("Haga una cita hoy, será breve.", "costly_character", "á"),
        ("Será mañana; quizás más tarde, según el día.", "", ""),
        ("Soak, pat dry.", "", ""),
    ],
)
def test_the_sign_that_makes_a_text_dear_is_named(text: str, rule: str, sign: str) -> None:
    found = list(characters.coding_flaws(text))
    assert [(flaw.rule, flaw.snippet) for flaw in found] == ([(rule, sign)] if rule else [])
    if rule:
        assert (measure(text.replace(sign, "a").replace("”", "a")).encoding.value, measure(text).encoding.value) == (
            "gsm7",
            "ucs2",
        )
