"""What a setting changes in the texts, the question after too long a numbness, and the same numbers in Spanish."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from reminders.care.resolving import resolve
from reminders.care.timing import date_of_day
from reminders.care.values import Channel
from reminders.wording.dates import Calendar
from reminders.wording.facts import local
from reminders.wording.review.figures import figures, translation_flaws
from tests.build import LEAD, course_of
from tests.library.shelf import PROCEDURES, facts, plan_named, said

TOTAL = "total-nail-avulsion"
VISIT = "2026-06-10T10:30"
"""When the procedures of the shelf end."""


def bodies(procedure: str, key: str, **changes: Any) -> list[str]:
    return [each.body for each in said(procedure, **changes) if each.each.key == key]


@pytest.mark.parametrize(
    ("procedure", "key", "settings", "words"),
    [
        # Ointment, jelly or none: Smack et al., JAMA 1996;276:972-977; Tong et al., Infect Drug Resist 2018;11:417-425.
        (LEAD, "soak", {"ointment": "petroleum_jelly"}, "a thin layer of petroleum jelly and a dry dressing"),
        (LEAD, "soak", {"ointment": "none"}, "Put on a dry dressing."),
        (LEAD, "ointment_stop", {"ointment": "none"}, "stop the soaks, and the night dressing"),
        # Plain, salt or magnesium salt: NHS leaflet on care after nail surgery; US podiatry leaflet.
        (LEAD, "soak", {"soak_fluid": "salt"}, "in warm water with salt for 10 minutes"),
        (LEAD, "soak", {"soak_fluid": "magnesium_salt"}, "in warm water with magnesium salt for 10 minutes"),
        # Two clean dressings in a row: NHS leaflet, nail surgery self-care.
        (LEAD, "ointment_stop", {"stop_rule": "until_dry"}, "If 2 dressings in a row came off clean, stop"),
        (LEAD, "shoes_activity", {"wide_shoes_weeks": 1}, "wide shoes for 1 week."),
        (LEAD, "shoes_activity", {"sport_waits": "two_weeks"}, "No sport for 2 weeks."),
        # Discharge after 4 weeks (sodium hydroxide) or 6 (phenol) needs a visit: common practice, no source.
        (LEAD, "closing", {"chemical": "phenol"}, "if it still drains after 6 weeks"),
        (LEAD, "closing", {}, "if it still drains after 4 weeks"),
        (LEAD, "drainage_normal", {"chemical": "phenol"}, "2 to 4 weeks"),
        (TOTAL, "ointment_stop", {"digit": "finger"}, "wear a dry dressing by day"),
        (TOTAL, "ointment_stop", {}, "wear a dry dressing in your shoes by day"),
        # No more than the package: US Drug Facts, acetaminophen, 325 mg (3,250 mg) and as the ceiling (4,000 mg).
        (LEAD, "pain_relief", {"acetaminophen_mg": 3250}, "acetaminophen, at most 3,250 mg in 24 hours"),
        ("wart-cryotherapy", "pain_relief", {}, "Keep it dry for 24 hours."),
        ("laceration-adhesive", "film_care", {}, "Keep it dry for 24 hours."),
        ("tooth-extraction", "first_day", {"gauze_minutes": 45}, "Bite on the gauze for 45 minutes."),
        ("tooth-extraction", "pain_relief", {}, "with milk or soft food"),
        ("actinic-keratosis-cryotherapy", "closing", {"place": "leg"}, "still open after 8 weeks"),
        ("vasectomy", "sample", {"samples": 2}, "We need 2 of them."),
        ("punch-biopsy", "activity", {}, "No sport until Wed, Jun 17."),
        ("cyst-excision", "activity", {}, "until Wed, Jun 24."),
    ],
)
def test_a_setting_changes_what_is_said(procedure: str, key: str, settings: dict[str, Any], words: str) -> None:
    found = bodies(procedure, key, settings=settings)
    assert found
    assert all(words in body for body in found), found


def test_one_soak_a_day_is_in_the_evening() -> None:
    # 2 a day: common practice, no source; at least 1: US podiatry leaflet, ingrown toenails.
    once, twice = (
        [each.each.planned_at for each in said(LEAD, settings={"soaks_per_day": times}) if each.each.key == "soak"]
        for times in (1, 2)
    )
    assert len(twice) == 2 * len(once) - 1  # the first day has an evening only
    assert {moment.astimezone(course_of().zone).hour for moment in once} == {19}


@pytest.mark.parametrize("procedure", ["punch-biopsy", "cyst-excision", "shave-biopsy-curettage"])
def test_no_text_calls_itself_the_last_while_one_about_the_result_is_to_come(procedure: str) -> None:
    found = said(procedure, factors=["sent_to_lab"] if procedure == "cyst-excision" else [])
    last = max(found, key=lambda each: each.each.send_at)
    calling = [each for each in found if "our last text" in each.body]
    assert calling in ([], [last])
    assert bool(calling) is (last.each.key == "closing")


@pytest.mark.parametrize(
    ("procedure", "agent", "high"),
    [
        (procedure, agent, high)
        for procedure, site in ((LEAD, "digit"), (TOTAL, "digit"), ("tooth-extraction", "dental"))
        for agent, (_, high) in facts()["anaesthetics"][site].items()
    ],
)
def test_numbness_beyond_the_high_end_is_asked_about_and_a_warning_sign(
    procedure: str, agent: str, high: float
) -> None:
    # The high ends: see the table of anaesthetics in the facts.
    course = course_of(VISIT, settings={"anaesthetic": agent})
    resolved = resolve(plan_named(procedure), course)
    assert resolved.anchors["numb_too_long"] == course.procedure_end + timedelta(hours=high)
    (asked,) = [each for each in said(procedure, settings={"anaesthetic": agent}) if each.each.key == "checkin_numb"]
    assert asked.each.planned_at == resolved.anchors["numb_too_long"]
    assert asked.each.asks == "yes_no"
    assert any("numb" in each.sign for each in plan_named(procedure).file.warning_sign)
    assert all("umb after" in body for body in bodies(procedure, "warning_signs", settings={"anaesthetic": agent}))


@pytest.mark.parametrize("channel", Channel)
@pytest.mark.parametrize("procedure", PROCEDURES)
def test_spanish_says_the_same_numbers_days_and_times(procedure: str, channel: Channel) -> None:
    known = plan_named(procedure).file.factors
    moments = written(Calendar("es_419")), written(Calendar("en"))
    for factors in ([], [name for name in known if name != "child"], [name for name in known if name == "child"]):
        english, spanish = (
            said(procedure, language=language, channel=channel, factors=factors) for language in ("en", "es")
        )
        pairs = list(zip(english, spanish, strict=True))
        assert sum(bool(figures(there.body)) for there, _ in pairs) > 3
        for there, here in pairs:
            assert (there.each.key, there.each.send_at) == (here.each.key, here.each.send_at)
            assert translation_flaws(here.body, there.body, moments=moments[0], original_moments=moments[1]) == []


def written(calendar: Calendar) -> list[str]:
    """Every date and time that may stand in a text of the usual course, as a language writes it."""
    course = course_of(VISIT)
    start = course.procedure_end
    clocks = {local(start + timedelta(minutes=minutes), course.zone) for minutes in range(0, 24 * 60, 15)}
    days = [date_of_day(number, procedure_end=start, zone=course.zone) for number in range(150)]
    return [
        *(calendar.clock(each) for each in clocks),
        *(calendar.day_date(day) for day in days),
        *(calendar.weekday(day) for day in days[:7]),
    ]
