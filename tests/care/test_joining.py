"""When messages become one, which keep their distance, and which never do."""

from __future__ import annotations

import pytest

from reminders.care.joining import join
from reminders.care.timing import parse_local
from reminders.care.values import Asks, Channel, ContactRules, InDoubt, Joined, Occurrence, Outcome, Reason
from tests.build import course_of, rules_of, up_to

COURSE = course_of()
# Planned, if nothing else is said, for the afternoon of an invented day.
DAY = "2026-06-10"


def occurrence(
    key: str,
    wall: str,
    *,
    importance: int = 5,
    until: str = "20:59",
    required: bool = False,
    asks: Asks | None = None,
    must_precede: bool = False,
    in_doubt: InDoubt = InDoubt.RESEND,
    channel: Channel = Channel.SMS,
) -> Occurrence:
    at = parse_local(f"{DAY}T{wall}", COURSE.zone)
    return Occurrence(
        key=key,
        occurrence=1,
        text_name=key,
        channel=channel,
        planned_at=at,
        send_at=at,
        useful_until=parse_local(f"{DAY}T{until}", COURSE.zone),
        outcome=Outcome.SCHEDULED,
        required=required,
        importance=importance,
        in_doubt=in_doubt,
        asks=asks,
        must_precede=must_precede,
        reasons=(Reason(rule="timing", text=f"planned for {wall}"),),
    )


def sent(
    *occurrences: Occurrence, most: int = 9, rules: ContactRules | None = None, others: tuple[str, ...] = ()
) -> list[tuple[str, str]]:
    """Each message as its wall time and its keys."""
    return [(_wall(m), " ".join(each.key for each in m.members)) for m in _join(occurrences, most, rules, others)]


def _join(
    occurrences: tuple[Occurrence, ...], most: int, rules: ContactRules | None, others: tuple[str, ...] = ()
) -> list[Joined]:
    instants = [parse_local(f"{DAY}T{wall}", COURSE.zone) for wall in others]
    return join(occurrences, COURSE, rules or rules_of(), fits=up_to(most), others=instants)


def _wall(message: Joined) -> str:
    there = message.send_at.astimezone(COURSE.zone)
    return f"{there:%H:%M}" if message.outcome is Outcome.SCHEDULED else str(message.outcome)


@pytest.mark.parametrize(
    ("second", "expected"),
    [
        pytest.param("12:00", [("12:00", "a b")], id="at the same time"),
        pytest.param("12:19", [("12:19", "a b")], id="19 minutes: one message, when both are due"),
        pytest.param("12:20", [("12:20", "a b")], id="20 minutes still count"),
        pytest.param("12:21", [("12:00", "a"), ("12:21", "b")], id="21 minutes: two messages"),
    ],
)
def test_messages_within_twenty_minutes_become_one(second: str, expected: list[tuple[str, str]]) -> None:
    assert sent(occurrence("a", "12:00"), occurrence("b", second)) == expected


def test_the_reasons_of_all_members_are_kept() -> None:
    (message,) = _join((occurrence("a", "12:00"), occurrence("b", "12:05")), 9, None)
    assert [(reason.rule, reason.text) for reason in message.reasons] == [
        ("timing", "planned for 12:00"),
        ("joined", "joined with b, due within minutes"),
        ("timing", "b: planned for 12:05"),
    ]


def test_the_most_important_member_names_the_message() -> None:
    assert sent(occurrence("a", "12:00", importance=5), occurrence("b", "12:00", importance=2)) == [("12:00", "b a")]


def test_what_does_not_fit_keeps_two_minutes_important_first() -> None:
    three = (
        occurrence("a", "12:00", importance=5),
        occurrence("b", "12:00", importance=1),
        occurrence("c", "12:00", importance=3),
    )
    assert sent(*three, most=1) == [("12:00", "b"), ("12:02", "c"), ("12:04", "a")]


def test_of_many_the_important_ones_are_joined_first() -> None:
    three = (
        occurrence("a", "12:00", importance=5),
        occurrence("b", "12:01", importance=7),
        occurrence("c", "12:02", importance=2),
    )
    assert sent(*three, most=2) == [("12:01", "b"), ("12:03", "c a")]


def test_a_distance_is_kept_from_messages_of_another_course() -> None:
    assert sent(occurrence("a", "12:00"), others=("12:01",)) == [("12:03", "a")]
    assert sent(occurrence("a", "12:00"), others=("12:02",)) == [("12:00", "a")]
    assert sent(occurrence("a", "12:00"), others=("12:00", "12:02")) == [("12:04", "a")]


def test_two_questions_are_never_joined() -> None:
    two = (occurrence("a", "12:00", asks=Asks.PAIN), occurrence("b", "12:00", asks=Asks.YES_NO))
    assert sent(*two) == [("12:00", "a"), ("12:02", "b")]


def test_a_question_may_be_joined_with_what_asks_nothing() -> None:
    (message,) = _join((occurrence("a", "12:00", asks=Asks.PAIN), occurrence("b", "12:00")), 9, None)
    assert message.asks is Asks.PAIN


def test_joining_never_delays_what_has_to_precede_something() -> None:
    first = occurrence("pain", "12:00", must_precede=True)
    assert sent(first, occurrence("b", "12:10")) == [("12:00", "pain"), ("12:10", "b")]
    assert sent(occurrence("b", "12:00"), occurrence("pain", "12:10", must_precede=True)) == [("12:10", "b pain")]


def test_joining_never_delays_past_usefulness() -> None:
    assert sent(occurrence("a", "12:00", until="12:04"), occurrence("b", "12:05")) == [("12:00", "a"), ("12:05", "b")]


def test_a_joined_message_is_useful_as_long_as_all_its_members() -> None:
    (message,) = _join((occurrence("a", "12:00", until="13:00"), occurrence("b", "12:00", until="18:00")), 9, None)
    assert message.useful_until == parse_local(f"{DAY}T13:00", COURSE.zone)


def test_different_channels_are_never_joined() -> None:
    two = sent(occurrence("a", "12:00"), occurrence("b", "12:00", channel=Channel.EMAIL))
    assert [keys for _, keys in two] == ["a", "b"]


def test_only_what_may_go_out_at_night_is_written_at_night() -> None:
    # b was let out at 21:05 by the patient's agreement; that is no reason to send a at night.
    assert sent(occurrence("a", "20:55", until="23:00"), occurrence("b", "21:05", until="23:00")) == [
        ("20:55", "a"),
        ("21:05", "b"),
    ]


def test_a_message_with_medicine_is_held_when_in_doubt() -> None:
    (message,) = _join((occurrence("a", "12:00"), occurrence("b", "12:00", in_doubt=InDoubt.HOLD)), 9, None)
    assert message.in_doubt is InDoubt.HOLD


@pytest.mark.parametrize(
    ("until", "rules"),
    [
        pytest.param("12:01", rules_of(), id="not useful two minutes later"),
        pytest.param("18:00", rules_of("12:01-13:00"), id="quiet two minutes later"),
    ],
)
def test_without_room_an_optional_message_gives_way_and_a_required_one_stays(until: str, rules: ContactRules) -> None:
    first = occurrence("a", "12:00", importance=1, required=True)
    assert sent(first, occurrence("b", "12:00", until=until), most=1, rules=rules)[1][0] == "withheld"
    assert sent(first, occurrence("b", "12:00", until=until, required=True), most=1, rules=rules)[1][0] == "12:00"


def test_required_messages_choose_their_moments_first() -> None:
    required = occurrence("b", "12:02", until="12:02", importance=7, required=True)
    near = (occurrence("a", "12:00", importance=1), occurrence("c", "12:00", importance=2))
    assert sent(*near, required, most=1) == [("12:00", "a"), ("12:02", "b"), ("12:04", "c")]
    assert sent(occurrence("a", "12:01", importance=1), required, most=1) == [("12:02", "b"), ("12:04", "a")]


def test_a_message_that_gave_way_or_was_delayed_says_why() -> None:
    first = occurrence("a", "12:00", importance=1)
    delayed = _join((first, occurrence("b", "12:00")), 1, None)[1]
    assert (delayed.reasons[-1].rule, delayed.reasons[-1].text) == (
        "kept_apart",
        "2 min after the message before it, as they don't fit into one",
    )
    withheld = _join((first, occurrence("b", "12:00", until="12:01")), 1, None)[1]
    assert withheld.reasons[-1].rule == "withheld"


def test_nothing_to_join_gives_nothing() -> None:
    assert _join((), 9, None) == []
