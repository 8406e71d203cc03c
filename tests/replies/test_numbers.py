"""Pain scores, temperatures, sugar values, tablets, and numbers that are none of these."""

import pytest

from reminders.replies import triage


@pytest.mark.parametrize(
    ("text", "score"),
    [
        ("7", 7),
        ("seven", 7),
        ("siete", 7),
        ("5/10", 5),
        ("7 out of 10", 7),
        ("6 or 7", 7),
        ("3-4", 4),
        ("between 6 n 7", 7),
        ("2 sitting, 8 standing", 8),
        ("was a 9, now 2", 2),
        ("was 8 last night now 5", 5),
        ("8 yesterday 3 today", 3),
        ("ayer 8 hoy 2", 2),
        ("down to 2 from 8", 2),
        ("6.5", 7),
        ("3 y medio", 4),
        ("more than 6", 7),
        ("day 9 and its a 0", 0),
        ("4, took 2 pills at 8", 4),
        ("2 took 3 pills today", 2),
        ("3 hrs after the pill its a 5", 5),
        ("at 9:30 it was a 4", 4),
        ("10 out of 10 pain", 10),
    ],
)
def test_the_current_score_is_read_and_the_highest_of_several(text: str, score: int) -> None:
    assert triage(text, after="checkin_pain").pain_score == score


@pytest.mark.parametrize("text", ["55", "c", "day 9", "3 hours ago", "10/10 service, recommend", "call me at 5:30"])
def test_other_numbers_are_no_scores(text: str) -> None:
    assert triage(text, after="checkin_pain").pain_score is None


@pytest.mark.parametrize(
    "text",
    [
        # 38.0 C and 100.4 F count: Regina Qu'Appelle Health Region, "Surgical site infections".
        "100.4 this morning",
        "temp 38.0",
        "tengo 38,5 de temperatura",
        "temp 1012",
        "thermometer says 102",
        "fièvre 39",
        "im running 101.8",
    ],
)
def test_a_temperature_of_fever_counts_in_either_unit(text: str) -> None:
    assert "fever" in triage(text).signs


@pytest.mark.parametrize(
    "text",
    ["temp is 99.1 is that a fever?", "37.8 is that ok", "temp 98.4", "its 102 outside", "water at 104 degrees"],
)
def test_a_lower_temperature_or_one_not_of_a_body_does_not(text: str) -> None:
    assert "fever" not in triage(text).signs


@pytest.mark.parametrize(
    ("text", "high"),
    # Above 300 mg/dL: Stanford Hospital, "High blood sugar: sick day survival".
    [
        ("sugar is 342", True),
        ("azucar en 350", True),
        ("glucose 19 mmol", True),
        ("sugar 118", False),
        ("bs 290", False),
    ],
)
def test_sugar_above_300_is_high(text: str, *, high: bool) -> None:
    assert ("glucose_high" in triage(text).signs) is high


@pytest.mark.parametrize(
    ("text", "overdose"),
    [
        ("took 15 pills today", True),
        ("my dad took 20 of the 500 acetaminophen", True),
        ("se tomo 20 pastillas", True),
        ("took 2 of the 500 acetaminophen", False),
        ("took 10 pills over the last week", False),
        ("have 30 pills left", False),
    ],
)
def test_far_more_tablets_than_a_day_allows_are_an_overdose(text: str, *, overdose: bool) -> None:
    assert ("overdose" in triage(text).signs) is overdose
