"""Each result says which words led there, and can be shown with them marked."""

from hypothesis import given, settings
from hypothesis import strategies as st

from reminders.replies import mark, triage

WORDS = (
    *("no", "fever", "pus", "but", "my", "toe", "is", "black", "stop", "thanks", "7", "102.4"),
    *("bleeding,", "if", "it", "smells", "?", "👍", "fiebre", "sin"),
)


@given(st.lists(st.sampled_from(WORDS), max_size=12).map(" ".join))
@settings(max_examples=150, deadline=None)
def test_the_words_of_each_evidence_stand_in_the_text(text: str) -> None:
    result = triage(text)

    for one in (*result.why, *result.denied):
        assert text[one.start : one.end] == one.words


def test_each_urgent_label_has_words_that_led_there() -> None:
    result = triage("toe is oozing pus")

    assert ("sign.pus", "oozing pus") in {(one.rule, one.words) for one in result.why} or any(
        one.rule == "sign.pus" and "pus" in one.words for one in result.why
    )


def test_marking_shows_what_was_found_and_what_was_denied() -> None:
    text = "no fever but pus"

    assert mark(text, triage(text)) == "no (fever: fever, denied) but [pus: pus]"


def test_a_text_without_evidence_is_shown_as_it_is() -> None:
    assert mark("asdf", triage("asdf")) == "asdf"
