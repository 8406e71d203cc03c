"""Two courses of one patient, every plan with every other: nothing they say can be taken for the other's."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from functools import cache
from itertools import combinations_with_replacement, pairwise

import pytest

from reminders.care.resolving import resolve
from reminders.care.schedule import Circumstances, OtherMessage, schedule
from reminders.care.timing import local_day
from reminders.care.values import Course, InDoubt, Joined, Outcome
from tests.build import course_of, rules_of
from tests.library.shelf import LANGUAGES, PROCEDURES, SENDER, plan_named, wording_of

PAIRS = list(combinations_with_replacement(PROCEDURES, 2))
FIRST_SITE, SECOND_SITE = "left side", "right side"
VISIT, WEEK_LATER = "2026-06-10T10:30", "2026-06-17T10:30"
DOSE_APART = timedelta(hours=4)
"""The shortest interval on the labels of both usual pain relievers: US Drug Facts."""


def course(end: str, site: str, language: str = "en") -> Course:
    return replace(course_of(end, site=site, overlaps=True), language=language)


def messages(procedure: str, course: Course, others: Sequence[Joined] = (), beside: str = "") -> tuple[Joined, ...]:
    resolved = resolve(plan_named(procedure), course)
    words = wording_of(procedure).for_course(resolved, SENDER, first_name="")

    def fits(members: Sequence[object], *, said_now: Sequence[object] = ()) -> bool:
        return words.fits(members, most_segments=3, said_now=said_now)  # type: ignore[arg-type]  # occurrences

    known = tuple(
        OtherMessage(procedure=beside, key=each.key, text_name=each.text_name, send_at=message.send_at)
        for message in others
        if message.outcome is Outcome.SCHEDULED
        for each in message.members
    )
    now = Circumstances(not_before=course.procedure_end, others=known)
    return schedule(resolved, rules_of(), now, fits=fits)


@cache
def first_course(procedure: str) -> tuple[Joined, ...]:
    return messages(procedure, course(VISIT, FIRST_SITE))


def sent(found: Sequence[Joined]) -> list[Joined]:
    return [message for message in found if message.outcome is Outcome.SCHEDULED]


@pytest.mark.parametrize("second_at", [VISIT, WEEK_LATER], ids=["one visit", "a week later"])
@pytest.mark.parametrize(("one", "other"), PAIRS, ids="+".join)
def test_two_courses_keep_doses_apart_and_lose_nothing_that_is_required(one: str, other: str, second_at: str) -> None:
    earlier = first_course(one)
    there = course(second_at, SECOND_SITE)
    later = messages(other, there, earlier, beside=one)
    for message in later:
        if message.outcome is Outcome.WITHHELD and message.required:
            assert message.reasons[-1].rule == "said_once", message
    doses = sorted(message.send_at for message in (*sent(earlier), *sent(later)) if message.in_doubt is InDoubt.HOLD)
    named = {each.key for message in (*sent(earlier), *sent(later)) for each in message.members}
    if "antibiotic" not in named:  # held in doubt too, but no pain reliever
        assert all(after - before >= DOSE_APART for before, after in pairwise(doses))
    per_day = Counter(local_day(message.send_at, there.zone) for message in (*sent(earlier), *sent(later)))
    optional = {local_day(each.send_at, there.zone) for each in sent(later) if not each.required}
    assert all(per_day[day] <= rules_of().daily_limit for day in optional)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("procedure", PROCEDURES)
def test_beside_another_course_every_text_names_its_site_and_stays_short(procedure: str, language: str) -> None:
    here = course(VISIT, FIRST_SITE, language)
    resolved = resolve(plan_named(procedure), here)
    words = wording_of(procedure).for_course(resolved, SENDER, first_name="")
    for message in sent(messages(procedure, here)):
        rendered = words.render(message.members, said_now=message.said_now)
        assert rendered.text.startswith(f"{SENDER.practice_name} ({FIRST_SITE}): ")
        assert rendered.segments <= 3, rendered.text


OPPOSITES = [
    ("water", r"keep it dry|leave the dressing on", r"\bsoak\b|under (?:luke)?warm water|\bwash\b"),
    ("ointment", r"put nothing on it", r"put on a thin layer"),
    ("rinsing", r"no rinsing", r"\brinse\b"),
]


@pytest.mark.parametrize(("what", "one_way", "other_way"), OPPOSITES, ids=[row[0] for row in OPPOSITES])
def test_what_two_plans_say_the_opposite_of_is_found_and_carries_its_site(
    what: str, one_way: str, other_way: str
) -> None:
    said = {procedure: " ".join(texts_of(procedure, FIRST_SITE)).lower() for procedure in PROCEDURES}
    against = [name for name in PROCEDURES if re.search(one_way, said[name])]
    with_it = [name for name in PROCEDURES if re.search(other_way, said[name])]
    assert against, what
    assert with_it, what
    for procedure in {*against, *with_it}:
        for site in (FIRST_SITE, SECOND_SITE):
            for text in texts_of(procedure, site):
                if re.search(f"{one_way}|{other_way}", text.lower()):
                    assert f"({site})" in text


@cache
def texts_of(procedure: str, site: str) -> tuple[str, ...]:
    here = course(VISIT, site)
    words = wording_of(procedure).for_course(resolve(plan_named(procedure), here), SENDER, first_name="")
    return tuple(
        words.render(message.members, said_now=message.said_now).text for message in sent(messages(procedure, here))
    )


@pytest.mark.parametrize("procedure", PROCEDURES)
def test_a_retreatment_a_week_later_says_everything_again_for_its_own_site(procedure: str) -> None:
    earlier = first_course(procedure)
    again = messages(procedure, course(WEEK_LATER, SECOND_SITE), earlier, beside=procedure)
    required = {each.key for each in plan_named(procedure).instructions if each.required and not each.only_if_any}
    said = {each.key for message in again if message.outcome is not Outcome.WITHHELD for each in message.members}
    # A dose near one of the earlier course may be left to it.
    assert required - said <= {"pain_relief"}
