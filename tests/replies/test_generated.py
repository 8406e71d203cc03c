"""Serious replies put together from ordinary parts stay serious in every frame, with slips and in capitals."""

import random
from collections import Counter

import pytest

from reminders.replies import Label, triage
from tests.replies.generated import EMERGENCIES, FRAMES, HARMLESS, SAME_DAY, sample, slipped

SERIOUS = {Label.EMERGENCY, Label.URGENT}
MOST = 5
"""Sentences of each concept; more is for a patient machine."""


def written(sentences: list[str], language: str) -> list[str]:
    """Every sentence in every frame: as it is, with a slip, in capitals."""
    framed = [frame.replace("{}", sentence) for sentence in sentences for frame in FRAMES[language]]
    return [one for text in framed for one in (text, slipped(text, random.Random(text)), text.upper())]


@pytest.mark.parametrize("concept", EMERGENCIES)
def test_an_emergency_is_one_however_it_is_said(concept: str) -> None:
    language = concept.partition(" ")[0]
    texts = written(sample(EMERGENCIES[concept], most=MOST, seed=concept), language)

    missed = [text for text in texts if triage(text, language=language).label is not Label.EMERGENCY]

    assert len(missed) <= len(texts) // 100, missed


@pytest.mark.parametrize("concept", SAME_DAY)
def test_a_sign_of_the_same_day_is_called_back_however_it_is_said(concept: str) -> None:
    language = concept.partition(" ")[0]
    texts = written(sample(SAME_DAY[concept], most=MOST, seed=concept), language)

    missed = [text for text in texts if triage(text, language=language).label not in SERIOUS]

    assert len(missed) <= len(texts) // 100, missed


@pytest.mark.parametrize("language", HARMLESS)
def test_a_harmless_reply_is_closed_however_it_is_said(language: str) -> None:
    texts = sample(HARMLESS[language], most=200, seed=language)

    opened = [text for text in texts if triage(text, language=language).needs_person]

    assert len(opened) <= len(texts) // 20, opened


@pytest.mark.parametrize("concept", [*EMERGENCIES, *SAME_DAY])
def test_a_harmless_text_beside_a_serious_one_changes_nothing(concept: str) -> None:
    language = concept.partition(" ")[0]
    rng = random.Random(concept)
    serious = sample({**EMERGENCIES, **SAME_DAY}[concept], most=5, seed=concept)
    harmless = sample(HARMLESS[language], most=200, seed=language)
    pairs = [(text, rng.choice(harmless)) for text in serious]

    labels = Counter(
        triage(joined, language=language).label in SERIOUS
        for text, beside in pairs
        for joined in (f"{text}. {beside}", f"{beside}. {text}", f"{text}\n{beside}")
    )

    assert labels[False] == 0


@pytest.mark.parametrize("concept", [*EMERGENCIES, *SAME_DAY])
def test_no_serious_sentence_is_taken_for_a_stop(concept: str) -> None:
    language = concept.partition(" ")[0]
    texts = sample({**EMERGENCIES, **SAME_DAY}[concept], most=30, seed=concept)

    assert [text for text in texts if triage(text, language=language).opt_out] == []
