"""Any input gives a result quickly; what can't be read goes to a person."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reminders.replies import Label, triage
from tests.counting import calls_of


@given(st.text(max_size=300), st.sampled_from(["none", "checkin_pain", "checkin_yesno", "visit", "soak"]))
@settings(max_examples=200, deadline=None)
def test_any_text_gives_a_result(text: str, after: str) -> None:
    result = triage(text, after=after)

    assert result.label in Label
    assert list(result.signs) == sorted(set(result.signs), key=result.signs.index)


@pytest.mark.parametrize("words", [200, 1000, 5000])
def test_a_serious_sign_is_found_however_much_stands_before_it(words: int) -> None:
    chatter = "we went to the park and had a lovely day with the children " * (words // 13)

    assert triage(chatter + "and i cant breathe").label is Label.EMERGENCY


def test_a_harmless_reply_of_thousands_of_words_still_goes_to_a_person() -> None:
    assert triage("thank you, all is well. " * 300).needs_person


@pytest.mark.parametrize("text", ["", " ", "\x00\x07", "\u200b\u200d", "....", "😶", "asdfghjkl", "[image]", "#" * 50])
def test_what_says_nothing_goes_to_a_person(text: str) -> None:
    result = triage(text)

    assert (result.label, result.signs) == (Label.ROUTINE, ("unclear",))


@pytest.mark.parametrize(
    "part", ["x", "ok ", "pus ", "no ", "12 ", "a,", "🩸", "!?", "no pus, ", "was 7 now 8 ", "\n", "e\u0301"]
)
def test_a_hundred_kilobytes_are_as_little_work_as_the_part_that_is_read(part: str) -> None:
    text = part * (100_000 // len(part))
    triage(part * 9, after="checkin_pain")  # the first of a process compiles the lexicons

    assert calls_of(lambda: triage(text, after="checkin_pain")) < 1_000_000
    assert triage(text, after="checkin_pain").needs_person


@pytest.mark.parametrize("text", ["pain is a hundred and", "hundred", "cien y", "two hundred -"])
def test_a_number_that_breaks_off_is_read(text: str) -> None:
    assert triage(text, after="checkin_pain").label
