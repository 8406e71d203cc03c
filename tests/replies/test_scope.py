"""Negation, time, imagination, other people and idioms: when a sign that is named does not count.

The ideas are those of NegEx (Chapman et al., 2001) and ConText (Harkema et al., 2009); the rows are our own.
"""

import pytest

from reminders.replies import triage


@pytest.mark.parametrize(
    ("text", "sign"),
    [
        ("no fever, but a red streak up my leg", "streaks"),
        ("no fever just pus", "pus"),
        ("no smell, thick green pus", "pus"),
        ("no fever no chills red streak going up my leg", "streaks"),
        ("the pills are not working, in agony", "pain_high"),
        ("not only red, its full of pus", "pus"),
        ("it wont stop bleeding", "heavy_bleeding"),
        ("not sure if its pus, thick and green", "pus"),
        ("if i press it pus comes out", "pus"),
        ("what if its infected, theres pus", "pus"),
        ("didnt bleed at first but now wont stop", "heavy_bleeding"),
        ("no tengo fiebre pero sale pus", "pus"),
        ("fever gone this morning but had 102 last night", "fever"),
        ("passed out yesterday, fine now", "collapse"),
        ("other toe is black now too", "colour_change"),
        ("my toe is killing me", "pain_high"),
        ("my son has pus in his toe", "pus"),
        ("there was no pus, now there is", "pus"),
        ("no había pus, ahora sí", "pus"),
        ("gestern kein Fieber, jetzt schon", "fever"),
        ("when should i worry, the streak is past my ankle", "streaks"),
        ("what does it look like if its infected, mine is full of pus", "pus"),
        ("should i come in if its already black", "colour_change"),
        ("she passed out after the test", "collapse"),
        ("no fever comma but there is pus period", "pus"),
        ("bleeding for a period of 20 minutes with pressure", "heavy_bleeding"),
        ("It bled yesterday. Held it ten minutes, it quit, then started again", "bleeding"),
        ("yes dry and bleeding since Saturday", "bleeding"),
        ("all good. no it bled through", "bleeding"),
        ("my toes have gone cold and white", "cold"),
        ("lost the tube on the train, have used none since", "supplies"),
    ],
)
def test_a_sign_that_is_reported_counts(text: str, sign: str) -> None:
    assert sign in triage(text).signs


@pytest.mark.parametrize(
    ("text", "sign"),
    [
        ("no fever, chills or pus", "pus"),
        ("no redness, swelling, pus", "pus"),
        ("no fever no chills no smell", "smell"),
        ("pus? no", "pus"),
        ("i dont see any pus", "pus"),
        ("the redness has not spread", "spreading_redness"),
        ("toe is not black", "colour_change"),
        ("sin fiebre ni pus", "pus"),
        ("what if it starts bleeding", "bleeding"),
        ("how would i know it is pus", "pus"),
        ("if i get a fever who do i call", "fever"),
        ("y si me da fiebre a quien llamo", "fever"),
        ("had red streaks last year on the other foot", "streaks"),
        ("fever was last week, gone now", "fever"),
        ("my neighbor had an infection with pus", "pus"),
        ("my wife almost fainted when she saw it haha", "collapse"),
        ("the bill gave me a heart attack", "chest_pain"),
        ("got cold feet about the other toe", "cold"),
        ("let the toe breathe", "breathing"),
        ("black stitches look fine", "colour_change"),
        ("i passed my driving test today", "collapse"),
        ("when do the stitches come out", "wound_open"),
        ("worried the stitches might open if i play football", "wound_open"),
        ("suppose i bleed thru at night, do i come in", "bleeding"),
        ("how bad is bad when you say call for bad pain", "pain_high"),
        ("qué temperatura es fiebre", "fever"),
        ("no fever comma no pus period all good period", "pus"),
        ("Est-ce que je peux conduire après le rendez-vous ?", "breathing"),
    ],
)
def test_a_sign_that_is_denied_past_imagined_or_anothers_does_not(text: str, sign: str) -> None:
    assert sign not in triage(text).signs


def test_what_was_denied_is_told_with_its_reason() -> None:
    denied = triage("no fever, what if it smells").denied

    assert {(one.words, one.note) for one in denied} >= {("fever", "denied")}


@pytest.mark.parametrize(
    "text",
    [
        "it stopped bleeding after i pressed on it",
        "bled a bit last night, held it and it quit",
        "It bled some yesterday after I bumped it. Held it ten minutes, it quit, nothing since.",
    ],
)
def test_bleeding_that_has_stopped_is_read_by_a_person(text: str) -> None:
    assert triage(text).label.value == "routine"


def test_bleeding_that_stopped_with_pressure_waits_for_the_next_day() -> None:
    result = triage("bled through yesterday, pressed 10 min and it stopped")

    assert (result.label.value, result.signs) == ("routine", ("bleeding",))
