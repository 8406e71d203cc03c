"""The schedule of whole courses: the lead plan's facts, evenings and nights, factors, planning anew, two courses."""

from __future__ import annotations

from typing import Any

import pytest

from reminders.care.schedule import OtherMessage
from reminders.care.timing import parse_local
from reminders.care.values import Joined, Outcome
from tests.build import (
    LEAD,
    course_of,
    hours,
    instruction,
    lead_plan,
    message_with,
    plan_of,
    planned,
    rules_named,
    rules_of,
    wall,
    walls,
)

# 10 June 2026 is a Wednesday; no clock changes nearby.
AFTERNOON = course_of("2026-06-10T15:30")


def texts(message: Joined) -> list[str]:
    return [reason.text for reason in message.reasons]


def sent(messages: tuple[Joined, ...]) -> list[Joined]:
    return [message for message in messages if message.outcome is Outcome.SCHEDULED]


# Facts of the trade. 24 h, twice a day, day 5, about 8 h, two weeks: common practice, no source.
@pytest.mark.parametrize(
    ("key", "expected"),
    [
        pytest.param("confirmation", ["2026-06-10 15:30"], id="at the desk"),
        pytest.param("pain_relief", ["2026-06-10 20:45"], id="an hour before 8 h are over, moved before the night"),
        pytest.param("rest_first_evening", ["2026-06-10 19:00"], id="the first evening"),
        pytest.param("dressing_off", ["2026-06-11 15:30"], id="24 h"),
        pytest.param(
            "soak",
            [
                "2026-06-11 19:00",
                "2026-06-12 08:00",
                "2026-06-12 19:00",
                "2026-06-13 08:00",
                "2026-06-13 19:00",
                "2026-06-14 08:00",
                "2026-06-14 19:00",
            ],
            id="twice a day until day 5",
        ),
        pytest.param("checkin_yesno", ["2026-06-11 12:30"], id="day 1"),
        pytest.param("checkin_pain", ["2026-06-13 19:00", "2026-06-17 19:00"], id="days 3 and 7"),
        pytest.param("warning_signs", ["2026-06-10 17:30", "2026-06-13 12:30"], id="days 0 and 3"),
        pytest.param("ointment_stop", ["2026-06-15 08:00"], id="day 5, the stop day"),
        pytest.param("visit", ["2026-06-22 12:30"], id="two days before two weeks"),
        pytest.param("closing", ["2026-06-25 12:30"], id="the day after"),
    ],
)
def test_the_lead_plan_says_each_thing_when_the_trade_does(key: str, expected: list[str]) -> None:
    assert walls(planned(lead_plan(), AFTERNOON), key, AFTERNOON) == expected


def test_a_booked_visit_is_announced_and_greeted() -> None:
    course = course_of("2026-06-10T15:30", visit="2026-06-25T09:40")
    messages = planned(lead_plan(), course)
    assert walls(messages, "visit", course) == ["2026-06-23 12:30"]
    assert walls(messages, "visit_today", course) == ["2026-06-25 08:00"]
    assert walls(messages, "closing", course) == ["2026-06-26 12:30"]


def test_a_visit_before_the_patients_morning_is_not_greeted_late() -> None:
    course = course_of("2026-06-10T15:30", visit="2026-06-25T09:40", slots={"morning": "10:00"})
    message = message_with(planned(lead_plan(), course), "visit_today")
    assert message.outcome is Outcome.WITHHELD
    assert texts(message)[-1] == "it was useful until Thu 25 Jun 09:40 only"


def test_without_a_visit_the_text_asks_to_book_and_asks_nothing_else() -> None:
    (unbooked,) = [m.first for m in planned(lead_plan(), AFTERNOON) if m.first.key == "visit"]
    course = course_of(visit="2026-06-24T10:00")
    (booked,) = [m.first for m in planned(lead_plan(), course) if m.first.key == "visit"]
    assert (unbooked.text_name, unbooked.asks) == ("visit_not_booked", None)
    assert (booked.text_name, booked.asks) == ("visit", "visit")


# The worked example of the plan's reasons: 45 min before 23:10 is 22:25; quiet from 21:00; so 20:45.
def test_pain_relief_before_a_late_wear_off_goes_out_before_the_night() -> None:
    course = course_of("2026-06-10T15:40", block_placed="2026-06-10T15:10", settings={"lead_minutes": 45})
    message = message_with(planned(lead_plan(), course), "pain_relief")
    assert wall(message.send_at, course) == "2026-06-10 20:45"
    assert texts(message) == ["22:25, 45 min before the block may wear off at 23:10", "quiet from 21:00, so 20:45"]
    assert rules_named(message) == ["timing", "quiet_hours"]


def test_a_late_procedure_whose_block_wears_off_at_night_is_told_at_the_desk() -> None:
    # Ended at 20:50, so the block wears off at 04:50 and nothing earlier than 21:00 is left.
    course = course_of("2026-06-10T20:50")
    messages = planned(lead_plan(), course, most=9)
    pain = message_with(messages, "pain_relief")
    assert (pain.outcome, wall(pain.send_at, course)) == (Outcome.AT_CHECKOUT, "2026-06-10 20:50")
    assert texts(pain) == [
        "Thu 11 Jun 03:50, 1 h before the block may wear off at Thu 11 Jun 04:50",
        "quiet from 21:00, and no earlier moment is left: said at the desk and printed on the sheet",
    ]
    desk = message_with(messages, "confirmation")
    assert [each.key for each in desk.said_now] == ["warning_signs", "pain_relief"]
    assert texts(desk)[-1] == "also says warning_signs, pain_relief"


def test_what_does_not_fit_into_the_desk_message_is_still_said_at_the_desk() -> None:
    messages = planned(lead_plan(), course_of("2026-06-10T20:50"), most=2)
    assert [each.key for each in message_with(messages, "confirmation").said_now] == ["warning_signs"]
    assert message_with(messages, "pain_relief").outcome is Outcome.AT_CHECKOUT


def test_a_procedure_that_ends_at_night_writes_nothing_until_the_morning() -> None:
    course = course_of("2026-06-10T21:30")
    messages = planned(lead_plan(), course)
    assert wall(sent(messages)[0].send_at, course) == "2026-06-11 08:00"
    assert message_with(messages, "confirmation") is sent(messages)[0]
    assert message_with(messages, "confirmation").said_now == (), "the patient has left by then"
    assert {m.first.key for m in messages if m.outcome is Outcome.AT_CHECKOUT} == {"pain_relief", "warning_signs"}


def test_the_first_dressing_of_a_late_procedure_comes_off_in_the_morning() -> None:
    course = course_of("2026-06-10T21:30")
    dressing = message_with(planned(lead_plan(), course), "dressing_off")
    assert wall(dressing.send_at, course) == "2026-06-12 08:00"
    assert texts(dressing)[-1].startswith("quiet from 21:00, so Fri 12 Jun 08:00") or "joined" in rules_named(dressing)


@pytest.mark.parametrize(
    ("end", "first_soak"),
    [
        pytest.param("2026-06-10T18:59", "2026-06-11 19:00", id="a minute before the evening"),
        pytest.param("2026-06-10T19:00", "2026-06-12 08:00", id="on the minute: strictly after"),
        pytest.param("2026-06-10T07:30", "2026-06-11 08:00", id="in the morning"),
    ],
)
def test_soaking_begins_strictly_after_the_first_dressing(end: str, first_soak: str) -> None:
    course = course_of(end)
    assert walls(planned(lead_plan(), course), "soak", course)[0] == first_soak


@pytest.mark.parametrize(
    ("settings", "soaks"),
    [
        # Dressing changes at two a day: 7 soaks after the first dressing in the afternoon, and one change without soak.
        pytest.param({}, 7, id="24 h, day 5"),
        pytest.param({"first_dressing_hours": 48}, 5, id="48 h (NHS leaflet on nail surgery)"),
        pytest.param({"stop_day": 14}, 25, id="two weeks"),
        pytest.param({"first_dressing_hours": 168, "stop_day": 9}, 3, id="seven days with the first dressing"),
    ],
)
def test_soaks_are_counted_from_the_first_dressing_to_the_stop_day(settings: dict[str, int | str], soaks: int) -> None:
    course = course_of(settings=settings)
    found = [each for m in planned(lead_plan(), course) for each in m.members if each.key == "soak"]
    assert [each.occurrence for each in found] == list(range(1, soaks + 1))


def test_messages_of_one_moment_are_joined_with_their_reasons() -> None:
    message = message_with(planned(lead_plan(), AFTERNOON), "checkin_pain")
    assert [each.key for each in message.members] == ["soak", "checkin_pain"]
    assert texts(message) == [
        "day 3, evening (Sat 13 Jun 19:00)",
        "joined with checkin_pain, due within minutes",
        "checkin_pain: day 3, evening (Sat 13 Jun 19:00)",
    ]


def test_the_desk_message_is_not_held_back_by_joining() -> None:
    plan = plan_of(
        instruction("desk", importance=1), instruction("b", when=[{"after": "procedure_end", "minutes": 10}])
    )
    assert [wall(m.send_at, AFTERNOON)[-5:] for m in planned(plan, AFTERNOON)] == ["15:30", "15:40"]


def test_what_comes_before_an_anchor_is_not_held_back_by_joining() -> None:
    plan = plan_of(
        instruction("desk"),
        instruction("before", when=[{"before": "block_wears_off", "hours": 1}], useful_until="block_wears_off"),
        instruction("b", when=[{"after": "block_wears_off", "minutes": 0}, {"on_day": 0, "at": "midday"}]),
        anchors={"block_wears_off": {"after": "procedure_end", "hours": 2, "says": "it wears off"}},
    )
    course = course_of("2026-06-10T11:20")
    assert walls(planned(plan, course), "before", course) == ["2026-06-10 12:20"]
    assert walls(planned(plan, course), "b", course)[0] == "2026-06-10 12:30"


def test_the_desk_message_is_found_when_it_was_joined() -> None:
    night = [{"after": "procedure_end", "hours": 12}]
    plan = plan_of(
        instruction("desk", importance=9),
        instruction("b", importance=1),
        instruction("c", when=night, useful_hours=1, required=True),
    )
    message = message_with(planned(plan, AFTERNOON, most=3), "desk")
    assert [each.key for each in message.members] == ["b", "desk"]
    assert [each.key for each in message.said_now] == ["c"]


def test_what_is_said_at_the_desk_comes_before_what_could_be_sent_by_itself() -> None:
    night = [{"after": "procedure_end", "hours": 12}]
    plan = plan_of(
        instruction("desk", importance=1),
        instruction("b", importance=2),
        instruction("c", when=night, useful_hours=1, required=True, importance=9),
    )
    messages = planned(plan, AFTERNOON, most=2)
    assert [each.key for each in message_with(messages, "desk").members] == ["desk"]
    assert [each.key for each in message_with(messages, "desk").said_now] == ["c"]
    assert wall(message_with(messages, "b").send_at, AFTERNOON) == "2026-06-10 15:32"


def test_a_text_is_said_once_at_the_desk_however_often_it_was_planned() -> None:
    nights = [{"after": "procedure_end", "hours": number} for number in (12, 36)]
    plan = plan_of(instruction("desk", importance=1), instruction("c", when=nights, useful_hours=1, required=True))
    messages = planned(plan, AFTERNOON, most=9)
    assert [each.key for each in message_with(messages, "desk").said_now] == ["c"]
    assert [m.outcome for m in messages if m.first.key == "c"] == [Outcome.AT_CHECKOUT] * 2


def test_moments_that_fall_together_are_said_once() -> None:
    # Imported on day 2: what was due on days 0 and 1 is still useful, and would be said twice at once.
    days = plan_of(instruction(when=[{"on_day": [0, 1, 3], "at": "evening"}], useful_hours=72))
    messages = planned(days, AFTERNOON, now="2026-06-12T12:00", at_desk=False)
    assert [(m.first.occurrence, m.outcome) for m in sorted(messages, key=lambda m: m.first.occurrence)] == [
        (1, Outcome.WITHHELD),
        (2, Outcome.SCHEDULED),
        (3, Outcome.SCHEDULED),
    ]
    assert texts(message_with(messages, "note"))[-1] == "said once: its next time falls together with this one"


# --- patient factors


@pytest.mark.parametrize(
    ("factor", "key"),
    [
        ("blood_thinner", "checkin_bleeding"),
        ("warfarin", "checkin_bleeding"),
        ("diabetes", "checkin_look"),
        ("poor_circulation", "checkin_look"),
        ("neuropathy", "checkin_look"),
        ("immunosuppressed", "checkin_look"),
    ],
)
def test_a_factor_adds_a_check_in_and_says_so(factor: str, key: str) -> None:
    assert not walls(planned(lead_plan(), AFTERNOON), key, AFTERNOON)
    message = message_with(planned(lead_plan(), course_of(factors=[factor]), most=1), key)
    assert texts(message)[0] == f"added for this patient: {factor.replace('_', ' ')}"


def test_a_factor_changes_the_words_and_says_so() -> None:
    message = message_with(planned(lead_plan(), course_of(factors=["diabetes", "neuropathy"])), "warning_signs")
    assert message.first.text_name == "warning_signs_lower_threshold"
    assert "other words for this patient: diabetes, neuropathy" in texts(message)


def test_an_instruction_can_be_left_out_for_a_factor() -> None:
    plan = plan_of(instruction("desk"), instruction("b", not_if_any=["child"]), factors=["child"])
    assert not walls(planned(plan, course_of(factors=["child"])), "b", AFTERNOON)
    assert walls(planned(plan, AFTERNOON), "b", AFTERNOON)


# --- enrolled later


def test_a_late_enrollment_says_at_once_what_is_still_useful_and_drops_the_rest() -> None:
    messages = planned(lead_plan(), AFTERNOON, now="2026-06-11T17:00", at_desk=False)
    dressing = message_with(messages, "dressing_off")
    assert wall(dressing.send_at, AFTERNOON) == "2026-06-11 17:00"
    assert "that was over, so at once, Thu 11 Jun 17:00" in texts(dressing)
    assert message_with(messages, "pain_relief").outcome is Outcome.WITHHELD
    assert not [m for m in messages if m.outcome is Outcome.AT_CHECKOUT], "nobody stands at the desk"


# --- planned anew


def spent_by(messages: tuple[Joined, ...], then: str) -> dict[str, Any]:
    spent: dict[str, dict[int, Any]] = {}
    for message in sent(messages):
        if message.send_at <= parse_local(then, AFTERNOON.zone):
            for each in message.members:
                spent.setdefault(each.key, {})[each.occurrence] = each.planned_at
    return spent


def anew(before: tuple[Joined, ...], then: str, **changes: Any) -> tuple[Joined, ...]:
    course = course_of("2026-06-10T15:30", **changes)
    return planned(lead_plan(), course, now=then, at_desk=False, spent=spent_by(before, then))


def numbered(messages: tuple[Joined, ...], key: str) -> list[tuple[int, str]]:
    found = [(e.occurrence, wall(m.send_at, AFTERNOON)) for m in sent(messages) for e in m.members if e.key == key]
    return sorted(found)


def test_planning_anew_goes_on_counting() -> None:
    again = anew(planned(lead_plan(), AFTERNOON), "2026-06-13T12:00")
    assert numbered(again, "soak") == [
        (4 + 1, "2026-06-13 19:00"),
        (6, "2026-06-14 08:00"),
        (7, "2026-06-14 19:00"),
    ]  # fmt: skip
    assert numbered(again, "checkin_pain") == [(1, "2026-06-13 19:00"), (2, "2026-06-17 19:00")]
    assert not numbered(again, "confirmation")


def test_another_stop_day_adds_soaks_that_follow_the_last_number() -> None:
    again = anew(planned(lead_plan(), AFTERNOON), "2026-06-14T20:00", settings={"stop_day": 7})
    assert numbered(again, "soak") == [
        (8, "2026-06-15 08:00"),
        (9, "2026-06-15 19:00"),
        (10, "2026-06-16 08:00"),
        (11, "2026-06-16 19:00"),
    ]


@pytest.mark.parametrize(("evening", "next_at"), [("20:00", "2026-06-12 08:00"), ("18:00", "2026-06-12 08:00")])
def test_a_slot_moved_after_it_was_used_is_not_used_again_that_day(evening: str, next_at: str) -> None:
    again = anew(planned(lead_plan(), AFTERNOON), "2026-06-11T19:30", slots={"evening": evening})
    assert numbered(again, "soak")[0] == (2, next_at)


def test_the_next_slot_of_the_same_day_is_still_used() -> None:
    again = anew(planned(lead_plan(), AFTERNOON), "2026-06-12T09:00", slots={"morning": "08:30"})
    assert numbered(again, "soak")[0] == (3, "2026-06-12 19:00")


def test_a_dose_is_not_planned_again_when_the_block_turns_out_longer() -> None:
    again = anew(planned(lead_plan(), AFTERNOON), "2026-06-10T20:50", settings={"block_hours": 20})
    assert not numbered(again, "pain_relief")


def test_a_visit_moved_after_its_reminder_is_announced_anew() -> None:
    before = planned(lead_plan(), course_of(visit="2026-06-24T10:00"))
    again = anew(before, "2026-06-23T09:00", visit="2026-07-01T10:00")
    assert numbered(again, "visit") == [(2, "2026-06-29 12:30")]


def test_a_visit_moved_within_its_day_is_not_announced_twice() -> None:
    before = planned(lead_plan(), course_of(visit="2026-06-24T10:00"))
    assert not numbered(anew(before, "2026-06-23T09:00", visit="2026-06-24T15:00"), "visit")


# --- two courses of one patient


def other(key: str, at: str, *, text_name: str | None = None, procedure: str = LEAD) -> OtherMessage:
    send_at = parse_local(at, AFTERNOON.zone)
    return OtherMessage(procedure=procedure, key=key, text_name=text_name or key, send_at=send_at)


@pytest.mark.parametrize(
    ("said", "outcome"),
    [
        pytest.param(other("soak", "2026-06-11T19:00"), "withheld", id="the same at the same time"),
        pytest.param(other("soak", "2026-06-11T18:00"), "withheld", id="an hour before"),
        pytest.param(other("soak", "2026-06-11T20:00"), "withheld", id="an hour after"),
        pytest.param(other("soak", "2026-06-11T17:59"), "scheduled", id="more than an hour before"),
        pytest.param(other("soak", "2026-06-11T19:30", text_name="soak_child"), "scheduled", id="in other words"),
        pytest.param(other("soak", "2026-06-11T19:30", procedure="skin-biopsy"), "scheduled", id="another procedure"),
        pytest.param(other("visit", "2026-06-11T19:30"), "scheduled", id="another instruction"),
    ],
)
def test_two_courses_say_the_same_thing_once(said: OtherMessage, outcome: str) -> None:
    assert message_with(planned(lead_plan(), AFTERNOON, others=(said,)), "soak").outcome == outcome


def test_what_the_other_course_says_is_named_as_the_reason() -> None:
    messages = planned(lead_plan(), AFTERNOON, others=(other("soak", "2026-06-11T19:00"),))
    assert texts(message_with(messages, "soak"))[-1] == "said once: the other course says it at Thu 11 Jun 19:00"


# At least 4 hours between doses on both labels: US Drug Facts, acetaminophen 325 mg and ibuprofen 200 mg.
@pytest.mark.parametrize(
    ("at", "outcome"),
    [
        pytest.param("2026-06-10T16:46", "withheld", id="less than four hours before"),
        pytest.param("2026-06-10T16:45", "scheduled", id="four hours before"),
    ],
)
def test_two_courses_never_ask_for_two_doses_within_four_hours(at: str, outcome: str) -> None:
    said = other("pain_relief", at, text_name="pain_relief_acetaminophen", procedure="skin-biopsy")
    messages = planned(lead_plan(), AFTERNOON, others=(said,))
    assert message_with(messages, "pain_relief").outcome == outcome


def test_a_message_of_another_course_counts_for_the_day_and_the_distance() -> None:
    elsewhere = other("note", "2026-06-11T12:30", procedure="skin-biopsy")
    message = message_with(planned(lead_plan(), AFTERNOON, others=(elsewhere,)), "checkin_yesno")
    assert wall(message.send_at, AFTERNOON) == "2026-06-11 12:32"
    crowded = tuple(other("note", f"2026-06-11T{hour:02}:00", procedure="skin-biopsy") for hour in (9, 10, 11, 13, 14))
    messages = planned(lead_plan(), AFTERNOON, others=crowded)
    assert message_with(messages, "checkin_yesno").outcome is Outcome.WITHHELD
    assert message_with(messages, "dressing_off").outcome is Outcome.SCHEDULED, "required ones never give way"


def test_messages_come_in_the_order_they_are_sent() -> None:
    messages = planned(lead_plan(), course_of(factors=["diabetes", "warfarin"]), rules_of(daily_limit=3))
    assert [m.send_at for m in messages] == sorted(m.send_at for m in messages)


def test_a_plan_that_counts_from_an_unbooked_visit_says_nothing_of_it() -> None:
    plan = plan_of(instruction("desk"), instruction("b", when=[{"before": "visit", "hours": 3}]))
    assert [m.first.key for m in planned(plan, AFTERNOON)] == ["desk"]
    booked = course_of(visit="2026-06-24T15:00")
    assert walls(planned(plan, booked), "b", booked) == ["2026-06-24 12:00"]


def test_the_pain_message_is_told_in_elapsed_time_on_the_night_clocks_change() -> None:
    # Los Angeles, 31 October 2026: 8 h after 18:30 PDT is 01:30 PST; by the wall clock it would be 02:30.
    course = course_of("2026-10-31T18:30")
    message = message_with(planned(lead_plan(), course), "pain_relief")
    (pain,) = [each for each in message.members if each.key == "pain_relief"]
    assert pain.planned_at - course.procedure_end == hours(7)
    assert wall(message.send_at, course) == "2026-10-31 20:45"
