"""What quiet hours do to one moment: each move, at the desk and away from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pytest

from reminders.care.circumstances import Circumstances
from reminders.care.placing import Bounds, Place, place
from reminders.care.timing import parse_local
from reminders.care.values import Outcome, QuietMove
from tests.build import course_of, rules_of, wall

EARLIER, LATER, WITHHOLD, SEND = QuietMove
# 10 June 2026 is a Wednesday; quiet hours are 21:00 to 08:00, and 15 minutes are kept before them.


@dataclass(frozen=True, kw_only=True)
class Wish:
    quiet: QuietMove
    required: bool


def placed(planned: str, useful_until: str, move: QuietMove, **facts: Any) -> tuple[str, str]:
    return placed_with_reasons(planned, useful_until, move, **facts)[0]


def placed_with_reasons(
    planned: str,
    useful_until: str,
    move: QuietMove,
    *,
    now: str = "2026-06-10T15:30",
    at_desk: bool = True,
    required: bool = True,
    agreed: bool = False,
    quiet: str = "21:00-08:00",
) -> tuple[tuple[str, str], list[tuple[str, str]]]:
    course = course_of(night_contact_agreed=agreed)
    circumstances = Circumstances(not_before=parse_local(now, course.zone), at_desk=at_desk)
    found: Place = place(
        parse_local(planned, course.zone),
        parse_local(useful_until, course.zone),
        Wish(quiet=move, required=required),
        Bounds(course=course, rules=rules_of(quiet), now=circumstances),
    )
    return (str(found.outcome), wall(found.send_at, course)), [(each.rule, each.text) for each in found.reasons]


@pytest.mark.parametrize("move", list(QuietMove))
def test_a_moment_outside_quiet_hours_stands(move: QuietMove) -> None:
    found, reasons = placed_with_reasons("2026-06-10T19:00", "2026-06-10T22:00", move)
    assert (found, reasons) == (("scheduled", "2026-06-10 19:00"), [])


@pytest.mark.parametrize(
    ("move", "outcome", "at", "because"),
    [
        pytest.param(EARLIER, "scheduled", "2026-06-10 20:45", "quiet from 21:00, so 20:45", id="earlier"),
        pytest.param(LATER, "scheduled", "2026-06-11 08:00", "quiet from 21:00, so Thu 11 Jun 08:00", id="later"),
        pytest.param(
            WITHHOLD,
            "at_checkout",
            "2026-06-10 15:30",
            "quiet from 21:00, and this one is dropped then: said at the desk and printed on the sheet",
            id="withhold",
        ),
        pytest.param(
            SEND,
            "scheduled",
            "2026-06-11 08:00",
            "quiet from 21:00 and no agreement to be contacted at night, so Thu 11 Jun 08:00",
            id="send without agreement is later",
        ),
    ],
)
def test_each_move_of_a_required_moment_at_night(move: QuietMove, outcome: str, at: str, because: str) -> None:
    found, reasons = placed_with_reasons("2026-06-10T22:25", "2026-06-11T08:30", move)
    assert found == (outcome, at)
    assert [text for _, text in reasons] == [because]


def test_an_agreement_lets_a_send_moment_stand_and_says_so() -> None:
    found, reasons = placed_with_reasons("2026-06-10T22:25", "2026-06-11T08:30", SEND, agreed=True)
    assert found == ("scheduled", "2026-06-10 22:25")
    assert reasons == [("quiet_hours", "quiet from 21:00, but the patient agreed to be contacted at night")]


@pytest.mark.parametrize("move", [EARLIER, LATER, WITHHOLD])
def test_an_agreement_changes_nothing_for_the_other_moves(move: QuietMove) -> None:
    asleep = placed("2026-06-10T22:25", "2026-06-11T08:30", move)
    assert placed("2026-06-10T22:25", "2026-06-11T08:30", move, agreed=True) == asleep


def test_an_optional_moment_that_is_dropped_at_night_is_withheld() -> None:
    found, reasons = placed_with_reasons("2026-06-10T22:25", "2026-06-11T01:25", WITHHOLD, required=False)
    assert found == ("withheld", "2026-06-10 22:25")
    assert reasons == [("withheld", "quiet from 21:00, and this one is dropped then")]


@pytest.mark.parametrize(
    ("useful_until", "expected"),
    [
        pytest.param("2026-06-11T08:00", ("scheduled", "2026-06-11 08:00"), id="useful until that very minute"),
        pytest.param("2026-06-11T07:59", ("at_checkout", "2026-06-10 15:30"), id="useful until the minute before"),
    ],
)
def test_later_waits_only_while_the_message_is_useful(useful_until: str, expected: tuple[str, str]) -> None:
    assert placed("2026-06-10T22:25", useful_until, LATER) == expected


@pytest.mark.parametrize(
    ("now", "required", "expected"),
    [
        pytest.param("2026-06-10T20:45", True, ("scheduled", "2026-06-10 20:45"), id="just in time"),
        pytest.param("2026-06-10T20:50", True, ("at_checkout", "2026-06-10 20:50"), id="said at the desk before nine"),
        pytest.param("2026-06-10T22:00", True, ("at_checkout", "2026-06-10 22:00"), id="said at the desk at night"),
        pytest.param("2026-06-10T22:00", False, ("withheld", "2026-06-10 23:30"), id="an optional one is not said"),
    ],
)
def test_earlier_at_the_desk_late_in_the_evening(now: str, required: bool, expected: tuple[str, str]) -> None:
    assert placed("2026-06-10T23:30", "2026-06-11T00:30", EARLIER, now=now, required=required) == expected


@pytest.mark.parametrize(
    ("now", "useful_until", "expected"),
    [
        pytest.param("2026-06-10T20:50", "2026-06-11T00:30", ("scheduled", "2026-06-10 20:50"), id="at once"),
        pytest.param(
            "2026-06-10T22:00", "2026-06-11T09:00", ("scheduled", "2026-06-11 08:00"), id="when the night ends"
        ),
        pytest.param("2026-06-10T22:00", "2026-06-11T00:30", ("withheld", "2026-06-10 23:30"), id="not useful by then"),
    ],
)
def test_earlier_away_from_the_desk_takes_what_is_left(now: str, useful_until: str, expected: tuple[str, str]) -> None:
    assert placed("2026-06-10T23:30", useful_until, EARLIER, now=now, at_desk=False) == expected


@pytest.mark.parametrize(
    ("at_desk", "required", "expected"),
    [
        pytest.param(True, True, ("at_checkout", "2026-06-10 15:30"), id="said at the desk"),
        pytest.param(True, False, ("withheld", "2026-06-10 11:00"), id="optional: withheld"),
        pytest.param(False, True, ("withheld", "2026-06-10 11:00"), id="imported later: withheld"),
    ],
)
def test_what_is_not_useful_any_more_is_never_sent_late(
    at_desk: bool, required: bool, expected: tuple[str, str]
) -> None:
    assert placed("2026-06-10T11:00", "2026-06-10T14:00", LATER, at_desk=at_desk, required=required) == expected


def test_what_is_over_but_useful_goes_out_at_once_and_says_so() -> None:
    found, reasons = placed_with_reasons("2026-06-10T11:00", "2026-06-10T18:00", LATER)
    assert found == ("scheduled", "2026-06-10 15:30")
    assert reasons == [("not_before", "that was over, so at once, 15:30")]


def test_a_message_is_useful_until_that_very_minute() -> None:
    assert placed("2026-06-10T11:00", "2026-06-10T15:30", LATER) == ("scheduled", "2026-06-10 15:30")


def test_what_is_over_at_night_waits_for_the_morning() -> None:
    found, reasons = placed_with_reasons(
        "2026-06-10T19:00", "2026-06-11T09:00", LATER, now="2026-06-10T22:00", at_desk=False
    )
    assert found == ("scheduled", "2026-06-11 08:00")
    assert [rule for rule, _ in reasons] == ["not_before", "quiet_hours"]


@pytest.mark.parametrize(
    ("quiet", "expected"),
    [
        pytest.param("22:00-07:00", ("scheduled", "2026-06-10 21:45"), id="a shorter night"),
        pytest.param("19:30-09:00", ("scheduled", "2026-06-10 19:15"), id="a longer night"),
        pytest.param("22:26-08:00", ("scheduled", "2026-06-10 22:25"), id="not quiet yet"),
    ],
)
def test_the_patients_own_quiet_hours_count(quiet: str, expected: tuple[str, str]) -> None:
    assert placed("2026-06-10T22:25", "2026-06-10T23:10", EARLIER, quiet=quiet) == expected


def test_quiet_hours_without_end_leave_only_the_desk() -> None:
    course = course_of()
    always = rules_of("00:00-12:00", "12:00-00:00")
    bounds = Bounds(course=course, rules=always, now=Circumstances(not_before=course.procedure_end))
    for move in (EARLIER, LATER, SEND):
        moment = course.procedure_end
        found = place(moment, parse_local("2026-07-10T15:30", course.zone), Wish(quiet=move, required=True), bounds)
        assert found.outcome is Outcome.AT_CHECKOUT
