"""What holds for every course of the lead plan, whatever the patient's facts, the hour and the zone."""

from __future__ import annotations

import zoneinfo
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from functools import cache
from itertools import pairwise
from typing import NamedTuple
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from reminders.care.joining import Fits
from reminders.care.plan import ChoiceSetting
from reminders.care.quiet_hours import WEEKDAYS, QuietHours
from reminders.care.resolving import Resolved, resolve
from reminders.care.schedule import Circumstances, OtherMessage, schedule
from reminders.care.timing import local_day
from reminders.care.values import Channel, ContactRules, Course, Joined, Outcome, Slot
from reminders.errors import InputError
from tests.build import hours, instruction, lead_plan, plan_of, up_to

MINUTE = timedelta(minutes=1)
YEAR = 366 * 24 * 60

# The days on which clocks change in North America, Europe, Australia and Lord Howe, and plain ones (IANA 2026f).
CHANGE_DAYS = ("2026-03-07", "2026-03-28", "2026-04-04", "2026-10-03", "2026-10-24", "2026-10-31", "2027-03-13")
ENDS = st.one_of(
    st.integers(0, 2 * YEAR).map(lambda number: datetime(2026, 1, 1, tzinfo=UTC) + number * MINUTE),
    st.builds(
        lambda day, number: datetime.fromisoformat(f"{day}T00:00Z") + number * MINUTE,
        st.sampled_from(CHANGE_DAYS),
        st.integers(0, 48 * 60),
    ),
)
BUSY_ZONES = ("America/Los_Angeles", "America/New_York", "America/Vancouver", "Europe/London", "Australia/Lord_Howe")
ZONES = st.one_of(st.sampled_from(BUSY_ZONES), st.sampled_from(sorted(zoneinfo.available_timezones()))).map(ZoneInfo)
WALLS = st.builds(time, st.integers(0, 23), st.sampled_from([0, 15, 30, 45]))
SLOTS = st.one_of(
    st.lists(WALLS, min_size=4, max_size=4, unique=True).map(sorted),
    st.just([time(8), time(12, 30), time(19), time(21, 30)]),
)
MINUTES_BEFORE = st.none() | st.integers(0, 240)
VISITS = st.none() | st.integers(60, 30 * 24 * 60)
CHANNELS = st.sampled_from(Channel)


def _interval() -> st.SearchStrategy[str]:
    return (
        st.tuples(WALLS, WALLS).filter(lambda two: two[0] != two[1]).map(lambda two: f"{two[0]:%H:%M}-{two[1]:%H:%M}")
    )


QUIET = st.one_of(
    st.just(QuietHours.every_day("21:00-08:00")),
    st.builds(
        QuietHours.of_week,
        st.lists(_interval(), max_size=2),
        st.dictionaries(st.sampled_from(WEEKDAYS), st.lists(_interval(), max_size=2), max_size=2),
    ),
)
RULES = st.builds(ContactRules, quiet=QUIET, daily_limit=st.integers(1, 8))
FITS = st.integers(1, 4).map(up_to)


@cache
def _factors() -> st.SearchStrategy[frozenset[str]]:
    return st.sets(st.sampled_from(lead_plan().file.factors), max_size=4).map(frozenset)


@cache
def _settings() -> st.SearchStrategy[dict[str, int | str]]:
    plan = lead_plan()
    values: dict[str, st.SearchStrategy[int | str]] = {}
    for name, setting in plan.file.settings.items():
        if isinstance(setting, ChoiceSetting):
            names = tuple(plan.anaesthetics) if setting.choices == "anaesthetics" else setting.choices
            values[name] = st.sampled_from(names)
        else:
            values[name] = st.integers(setting.lowest, setting.highest)
    return st.fixed_dictionaries({}, optional=values)


@st.composite
def courses(draw: st.DrawFn) -> Course:
    end = draw(ENDS)
    block, dressing, visit = draw(MINUTES_BEFORE), draw(MINUTES_BEFORE), draw(VISITS)
    return Course(
        procedure_end=end,
        zone=draw(ZONES),
        language="en",
        factors=draw(_factors()),
        settings=draw(_settings()),
        block_placed=None if block is None else end - block * MINUTE,
        dressing_applied=None if dressing is None else end - dressing * MINUTE,
        visit=None if visit is None else end + visit * MINUTE,
        slots=dict(zip(Slot, draw(SLOTS), strict=True)),
        channel=draw(CHANNELS),
        night_contact_agreed=draw(st.booleans()),
    )


@st.composite
def times_of_enrollment(draw: st.DrawFn, course: Course) -> Circumstances:
    at_desk = draw(st.booleans())
    late = draw(st.integers(0, 30)) if at_desk else draw(st.integers(0, 10 * 24 * 60))
    return Circumstances(not_before=course.procedure_end + late * MINUTE, at_desk=at_desk)


class Case(NamedTuple):
    """A course with its schedule."""

    resolved: Resolved
    rules: ContactRules
    now: Circumstances
    messages: tuple[Joined, ...]

    def __repr__(self) -> str:
        """Leave out the messages, which follow from the rest and fill pages."""
        return f"Case({self.resolved.course}, {self.rules}, {self.now})"


@st.composite
def cases(draw: st.DrawFn) -> Case:
    """A course that the plan allows, the rules, the moment of enrollment, and the schedule that follows."""
    course = draw(courses())
    try:
        resolved = resolve(lead_plan(), course)
    except InputError:
        assume(False)
    rules, now = draw(RULES), draw(times_of_enrollment(course))
    return Case(resolved, rules, now, schedule(resolved, rules, now, fits=draw(FITS)))


def scheduled(messages: Sequence[Joined]) -> list[Joined]:
    return [message for message in messages if message.outcome is Outcome.SCHEDULED]


@settings(max_examples=150)
@given(cases())
def test_nothing_is_sent_in_quiet_hours(case: Case) -> None:
    resolved, rules, _, messages = case
    assert not any(rules.quiet.is_quiet(each.send_at, resolved.course.zone) for each in scheduled(messages))


@settings(max_examples=100)
@given(course=courses(), rules=RULES, hour=st.integers(0, 60), agreed=st.booleans())
def test_only_an_agreement_lets_a_message_out_at_night(
    course: Course, rules: ContactRules, hour: int, agreed: bool
) -> None:
    plan = plan_of(
        instruction("night", when=[{"after": "procedure_end", "hours": hour}], quiet="send"),
        instruction("day", when=[{"after": "procedure_end", "hours": hour, "minutes": 10}]),
    )
    own = replace(course, settings={}, night_contact_agreed=agreed)
    messages = schedule(resolve(plan, own), rules, Circumstances(not_before=own.procedure_end), fits=up_to(3))
    at_night = [each for each in scheduled(messages) if rules.quiet.is_quiet(each.send_at, own.zone)]
    assert all(agreed and each.members[0].key == "night" and len(each.members) == 1 for each in at_night)


@settings(max_examples=150)
@given(cases())
def test_pain_relief_is_never_sent_after_the_block_wore_off(case: Case) -> None:
    resolved, _, _, messages = case
    for message in scheduled(messages):
        if any(each.key == "pain_relief" for each in message.members):
            assert message.send_at <= resolved.anchors["block_wears_off"]


@settings(max_examples=150)
@given(cases())
def test_nothing_is_sent_before_now_or_after_it_is_useful(case: Case) -> None:
    _, _, now, messages = case
    for message in scheduled(messages):
        assert now.not_before <= message.send_at <= message.useful_until
        assert all(message.send_at <= each.useful_until for each in message.members)


@settings(max_examples=120)
@given(cases())
def test_an_instruction_is_said_before_its_time_only_where_it_may_be(case: Case) -> None:
    resolved, _, _, messages = case
    for message in scheduled(messages):
        for each in message.members:
            if message.send_at < each.planned_at:
                assert resolved.plan.instruction(each.key).quiet == "earlier"


@settings(max_examples=100)
@given(course=courses(), rules=RULES, fits=FITS, data=st.data())
def test_the_same_input_gives_the_same_schedule(
    course: Course, rules: ContactRules, fits: Fits, data: st.DataObject
) -> None:
    now = data.draw(times_of_enrollment(course))
    twin = replace(course, factors=frozenset(sorted(course.factors, reverse=True)), settings=dict(course.settings))
    try:
        resolved = resolve(lead_plan(), course)
    except InputError:
        assume(False)
    assert schedule(resolve(lead_plan(), twin), rules, now, fits=fits) == schedule(resolved, rules, now, fits=fits)


@settings(max_examples=150)
@given(cases())
def test_a_day_holds_at_most_the_limit_unless_all_are_required(case: Case) -> None:
    resolved, rules, _, messages = case
    days = Counter(local_day(each.send_at, resolved.course.zone) for each in scheduled(messages))
    for day, count in days.items():
        of_day = [each for each in scheduled(messages) if local_day(each.send_at, resolved.course.zone) == day]
        assert count <= rules.daily_limit or all(each.required for each in of_day)


@settings(max_examples=150)
@given(cases())
def test_what_moved_or_was_withheld_says_why(case: Case) -> None:
    _, _, _, messages = case
    for message in messages:
        rules = {reason.rule for reason in message.reasons}
        moved = any(each.planned_at != message.send_at for each in message.members)
        if moved or message.outcome is not Outcome.SCHEDULED:
            assert rules - {"timing", "patient_factor"}
        assert "timing" in rules
        assert all(reason.text for reason in message.reasons)


@settings(max_examples=150)
@given(cases())
def test_every_occurrence_is_in_exactly_one_message(case: Case) -> None:
    resolved, _, _, messages = case
    identities = Counter((each.key, each.occurrence) for message in messages for each in message.members)
    assert set(identities.values()) == {1}
    for key in {key for key, _ in identities}:
        numbers = [number for name, number in identities if name == key]
        assert sorted(numbers) == list(range(1, len(numbers) + 1)), "counted from 1, without gaps"
    expected = {each.key for each in resolved.plan.instructions if each.applies(resolved.marks)}
    assert {key for key, _ in identities} <= expected


@settings(max_examples=150)
@given(cases())
def test_messages_keep_two_minutes_apart_unless_a_required_one_has_no_room(case: Case) -> None:
    resolved, rules, _, messages = case
    for near in pairwise(scheduled(messages)):
        if near[1].send_at - near[0].send_at < rules.keep_apart:
            assert all(each.required for each in near)
            assert any(_has_no_room(each, scheduled(messages), rules, resolved.course.zone) for each in near)


def _has_no_room(message: Joined, messages: Sequence[Joined], rules: ContactRules, zone: ZoneInfo) -> bool:
    """Say whether a message can't be put behind the required ones around it."""
    room = message.send_at
    for other in messages:
        if other is not message and other.required and abs(other.send_at - room) < rules.keep_apart:
            room = other.send_at + rules.keep_apart
    return room > message.useful_until or rules.quiet.is_quiet(room, zone)


@settings(max_examples=150)
@given(cases())
def test_a_message_asks_one_thing_and_says_each_text_once(case: Case) -> None:
    _, _, _, messages = case
    for message in messages:
        assert sum(each.asks is not None for each in message.members) <= 1
        texts = [each.text_name for each in (*message.members, *message.said_now)]
        assert len(set(texts)) == len(texts)


@settings(max_examples=150)
@given(cases())
def test_what_is_required_reaches_the_patient_or_is_said_at_the_desk(case: Case) -> None:
    _, _, now, messages = case
    lost = [message for message in messages if message.required and message.outcome is Outcome.WITHHELD]
    for message in lost:
        falls_together = any(reason.rule == "said_once" for reason in message.reasons)
        assert falls_together or not now.at_desk


@settings(max_examples=120)
@given(cases())
def test_the_desk_message_says_only_what_nobody_will_send(case: Case) -> None:
    _, _, now, messages = case
    at_checkout = {
        (each.key, each.occurrence) for m in messages if m.outcome is Outcome.AT_CHECKOUT for each in m.members
    }
    for message in messages:
        if message.said_now:
            assert message.send_at == now.not_before
            assert {(each.key, each.occurrence) for each in message.said_now} <= at_checkout
    assert now.at_desk or not at_checkout


def _spent(messages: Sequence[Joined], until: datetime) -> dict[str, dict[int, datetime]]:
    """What went out or was said by `until`, as the records know it."""
    spent: dict[str, dict[int, datetime]] = {}
    for message in messages:
        if message.outcome is not Outcome.WITHHELD and message.send_at <= until:
            for each in message.members:
                spent.setdefault(each.key, {})[each.occurrence] = each.planned_at
    return spent


@settings(max_examples=150)
@given(case=cases(), after=st.integers(0, 20 * 24 * 60), fits=FITS, data=st.data())
def test_planning_anew_never_says_anything_again(case: Case, after: int, fits: Fits, data: st.DataObject) -> None:
    resolved, rules, now, messages = case
    then = now.not_before + after * MINUTE
    spent = _spent(messages, then)
    changed = data.draw(
        st.sampled_from(
            [
                resolved.course,
                replace(resolved.course, factors=frozenset({"diabetes", "warfarin"})),
                replace(resolved.course, visit=then + timedelta(days=9)),
                replace(resolved.course, dressing_applied=resolved.course.procedure_end + hours(3)),
                replace(resolved.course, slots={slot: time(9 + 3 * n) for n, slot in enumerate(Slot)}),
            ]
        )
    )
    try:
        resolved_anew = resolve(lead_plan(), changed)
    except InputError:
        return
    sent_at = tuple(each.send_at for each in scheduled(messages) if each.send_at <= then)
    anew = schedule(
        resolved_anew, rules, Circumstances(not_before=then, at_desk=False, spent=spent, sent_at=sent_at), fits=fits
    )
    planned_again = {(each.key, each.occurrence) for message in anew for each in message.members}
    assert not planned_again & {(key, number) for key, numbers in spent.items() for number in numbers}
    if changed is resolved.course:
        for message in anew:
            for each in message.members:
                assert each.planned_at not in spent.get(each.key, {}).values()


@settings(max_examples=100)
@given(case=cases())
def test_a_twin_course_says_nothing_twice(case: Case) -> None:
    resolved, rules, now, messages = case
    others = tuple(
        OtherMessage(procedure=resolved.plan.procedure, key=each.key, text_name=each.text_name, send_at=message.send_at)
        for message in scheduled(messages)
        for each in message.members
    )
    twin = schedule(resolved, rules, replace(now, others=others), fits=up_to(1))
    said = {(other.key, other.text_name, other.send_at) for other in others}
    assert not said & {(m.first.key, m.first.text_name, m.send_at) for m in scheduled(twin)}


@pytest.mark.parametrize("day", ["2026-03-07T23:30", "2026-10-31T23:30"])
def test_every_zone_of_the_data_gives_a_schedule(day: str) -> None:
    for name in sorted(zoneinfo.available_timezones()):
        course = Course(procedure_end=datetime.fromisoformat(f"{day}Z"), zone=ZoneInfo(name), language="en")
        rules = ContactRules(quiet=QuietHours.every_day("21:00-08:00"))
        now = Circumstances(not_before=course.procedure_end)
        messages = schedule(resolve(lead_plan(), course), rules, now, fits=up_to(2))
        assert len(messages) > 10, name
