"""A dose beyond the label is seen wherever it stands in a text. Limits: US Drug Facts, ibuprofen and acetaminophen."""

from __future__ import annotations

import pytest

from reminders.wording.review.doses import dose_flaws
from reminders.wording.review.word_lists import read_word_lists
from tests.build import LEAD, PLANS

BEYOND = [
    ("en", "Take ibuprofen 200 mg, 1-2 tablets every 2 hours. At most 6 in 24 hours.", "every 2 hours"),
    ("en", "Take ibuprofen 200 mg, 1-2 tablets every 3 hours if needed. At most 6 in 24 hours.", "every 3 hours"),
    ("en", "Take ibuprofen 200 mg, 1-3 tablets every 4-6 hours. At most 6 in 24 hours.", "3 tablets"),
    ("en", "Take ibuprofen 200 mg, 1-2 tablets every 4-6 hours. At most 8 in 24 hours.", "1600 mg"),
    ("en", "Take acetaminophen. At most 4,500 mg in 24 hours.", "4500 mg"),
    ("es", "Tome ibuprofeno 200 mg, 1-2 tabletas cada 2 horas. Máximo 6 en 24 horas.", "every 2 hours"),
]

WITHIN = [
    ("en", "Take ibuprofen 200 mg, 1-2 tablets every 4-6 hours if needed. At most 6 in 24 hours."),
    ("en", "Take acetaminophen. At most 3,000 mg in 24 hours."),
    ("en", "Soak for 10 minutes every 2 hours. Call us about pain."),
    ("es", "Tome ibuprofeno 200 mg, 1-2 tabletas cada 4-6 horas. Máximo 6 en 24 horas."),
]


def said_of(language: str, text: str) -> list[str]:
    lists = read_word_lists(language, folder=PLANS / LEAD, shared=PLANS / "shared")
    return [flaw.message for flaw in dose_flaws(text, lists.review, lists.medicines) if not flaw.notice]


@pytest.mark.parametrize(("language", "text", "told"), BEYOND)
def test_what_is_beyond_the_label_is_told(language: str, text: str, told: str) -> None:
    assert any(told in message for message in said_of(language, text)), said_of(language, text)


@pytest.mark.parametrize(("language", "text"), WITHIN)
def test_what_keeps_to_the_label_is_not(language: str, text: str) -> None:
    assert said_of(language, text) == []


@pytest.mark.parametrize(
    ("agreed", "told"), [((), ["4000 mg of acetaminophen is more than the usual 3000 mg"]), ((4000,), [])]
)
def test_more_than_usual_is_noticed_unless_a_clinician_set_it(agreed: tuple[int, ...], told: list[str]) -> None:
    lists = read_word_lists("en", folder=PLANS / LEAD, shared=PLANS / "shared")
    flaws = list(
        dose_flaws("Take acetaminophen. At most 4,000 mg in 24 hours.", lists.review, lists.medicines, agreed=agreed)
    )
    assert [flaw.message.removesuffix(" in 24 hours") for flaw in flaws if flaw.notice] == told
    assert all(flaw.notice for flaw in flaws)
