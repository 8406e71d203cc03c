"""What is learnt from the sets beside the lexicons: where it comes from, and that it only ever raises."""

import pytest

from reminders.replies import Label, triage
from reminders.replies.likeness import likeness
from reminders.replies.reading import read
from tests.replies import learn


def test_the_weights_are_those_that_the_sets_give() -> None:
    rows = learn.every_lesson()

    assert learn.WRITTEN.read_text(encoding="utf-8") == learn.written(learn.learn(rows), len(rows))


def test_sets_kept_for_measuring_are_not_learnt_from() -> None:
    assert {path.parent.name for path in learn.SETS.glob("*.csv")} == {"sets"}
    assert list((learn.SETS / "kept").glob("*.csv"))


@pytest.mark.parametrize("text", ["blood and pus all over", "sangra mucho y huele", "fever and shaking"])
def test_serious_words_weigh_more_than_harmless_ones(text: str) -> None:
    assert likeness(read(text), "none").serious > 0 > likeness(read("thanks all done"), "none").serious


def test_a_reply_of_no_words_weighs_and_says_nothing() -> None:
    assert likeness(read(""), "none").at == -1


@pytest.mark.parametrize(
    ("text", "after"),
    [("STOP", "none"), ("HELP", "soak"), ("wrong number", "none"), ("yes", "checkin_yesno"), ("2", "checkin_pain")],
)
def test_control_messages_and_bare_answers_are_not_raised(text: str, after: str) -> None:
    assert all(one.rule != "likeness" for one in triage(text, after=after).why)


def test_a_picture_no_lexicon_has_is_raised_and_the_word_that_weighed_most_is_told() -> None:
    result = triage("i look like a blowfish")

    assert result.label is Label.URGENT
    assert [one.words for one in result.why if one.rule == "likeness"] == ["blowfish"]
