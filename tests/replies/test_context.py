"""What short replies mean after each message, and what the day and the patient change."""

import pytest

from reminders.replies import Label, triage


@pytest.mark.parametrize(
    ("after", "text", "label", "signs"),
    [
        ("none", "7", "routine", ("unclear",)),
        ("none", "c", "routine", ("unclear",)),
        ("none", "yes", "routine", ("unclear",)),
        ("none", "ok", "none", ()),
        ("none", "👍", "none", ()),
        ("soak", "done", "none", ()),
        ("soak", "k", "none", ()),
        ("any_other_key", "ok", "none", ()),
        ("warning_signs", "yes", "routine", ("unclear",)),
        ("warning_signs", "none of those", "none", ()),
        ("warning_signs", "no", "none", ()),
        ("checkin_pain", "3", "none", ()),
        ("checkin_pain", "5", "routine", ()),
        ("checkin_pain", "7", "urgent", ("pain_high",)),
        ("checkin_pain", "55", "routine", ("unclear",)),
        ("checkin_pain", "c", "routine", ("unclear",)),
        ("checkin_yesno", "yes", "none", ()),
        ("checkin_yesno", "no", "urgent", ("unclear",)),
        ("checkin_yesno", "No thanks", "urgent", ("unclear",)),
        ("checkin_yesno", "👎", "urgent", ("unclear",)),
        ("checkin_yesno", "no problem, dry", "none", ()),
        ("checkin_yesno", "no, a dried spot, pain is 1", "routine", ("drainage",)),
        ("checkin_yesno", "not dry", "urgent", ("unclear",)),
        ("checkin_yesno", "not wet, not sore", "none", ()),
        ("checkin_yesno", "not wet, the pain is not controlled", "urgent", ("pain_high",)),
        ("checkin_yesno", "dressing is dry, but the pain is not", "urgent", ("unclear",)),
        ("checkin_yesno", "Yes, and I'm not even taking the ibuprofen", "none", ()),
        ("checkin_pain", "no pain whatsoever, I graded forty midterms", "none", ()),
        ("visit", "confirmed, I take the 22 bus", "none", ()),
        ("visit", "C", "none", ()),
        ("visit", "no", "routine", ("reschedule",)),
        ("visit", "confirmo", "none", ()),
        ("visit", "yes, lord willing and the creek dont rise", "none", ()),
        ("checkin_pain", "zero. milked 60 head this morning", "none", ()),
        ("dressing_off", "little clear wet spot on it like yall said, looks fine", "none", ("drainage",)),
        ("soak", "did it period warm water comma salt period thank you", "none", ()),
        ("none", "i passed my driving test today and the toe is fine", "none", ()),
    ],
)
def test_short_replies_mean_what_was_asked(after: str, text: str, label: str, signs: tuple[str, ...]) -> None:
    result = triage(text, after=after)

    assert (result.label.value, result.signs) == (label, signs)


@pytest.mark.parametrize(
    ("text", "label"), [("yes dry but chest pain", Label.EMERGENCY), ("yes, but red streaks", Label.URGENT)]
)
def test_a_yes_does_not_cancel_the_rest(text: str, label: Label) -> None:
    assert triage(text, after="checkin_yesno").label is label


@pytest.mark.parametrize(("day", "label"), [(0, Label.ROUTINE), (2, Label.URGENT), (None, Label.URGENT)])
def test_numbness_is_expected_on_the_day_only(day: int | None, label: Label) -> None:
    assert triage("toe is still numb", day=day).label is label


@pytest.mark.parametrize(("day", "label"), [(1, Label.ROUTINE), (3, Label.URGENT), (None, Label.URGENT)])
def test_pain_may_rise_until_the_day_after(day: int | None, label: Label) -> None:
    assert triage("pain is getting worse", day=day).label is label


@pytest.mark.parametrize("factor", ["diabetes", "poor_circulation", "neuropathy", "immunosuppressed"])
def test_risk_factors_lower_thresholds(factor: str) -> None:
    factors = frozenset({factor})

    assert triage("temp is 37.9", factors=factors).label is Label.URGENT
    assert triage("pain is getting worse", day=1, factors=factors).label is Label.URGENT
    assert triage("temp is 37.9").label is Label.ROUTINE


def test_a_child_by_itself_lowers_nothing() -> None:
    assert triage("temp is 37.9", factors=frozenset({"child"})).label is Label.ROUTINE


@pytest.mark.parametrize(
    ("after", "text"),
    [
        ("none", "sat in your waiting room an hour and nobody came"),
        ("none", "i have been on hold 40 min"),
        ("none", "is the antibiotic ok while im nursing"),
        ("none", "dog ate my tape and pads"),
        ("none", "ran out of those wraps you gave me"),
        ("none", "please have somebody ring me, nothing serious"),
        ("none", "itches so bad under the tape"),
        ("none", "когда снимать повязку"),
        ("checkin_pain", "5, better than yesterday's 8"),
        ("checkin_pain", "between 4 and 5, bearable"),
        ("checkin_yesno", "dry yes, pain is like a 5"),
        ("visit", "can't that morning, i have a funeral"),
    ],
)
def test_what_waits_for_the_next_day_is_not_raised_for_its_words(after: str, text: str) -> None:
    assert triage(text, after=after).label is Label.ROUTINE


@pytest.mark.parametrize(
    ("after", "text"),
    [
        ("none", "someone needs to ring me, my lip is like a tire"),
        ("none", "ran out of pads because it keeps soaking"),
        ("none", "used up all the gauze trying to stop it"),
        ("none", "the toddler ate my pain pills"),
        ("none", "is it ok that my toe turned black"),
        ("none", "sat in the waiting room an hour and now the toe is black"),
        ("checkin_pain", "5 but the calf is tight as a drum"),
        ("checkin_pain", "5, was a 3 yesterday"),
    ],
)
def test_what_cannot_wait_is_raised_beside_what_can(after: str, text: str) -> None:
    assert triage(text, after=after).label in {Label.URGENT, Label.EMERGENCY}
