"""What is said in English and shown in another language: every such text is made by one sentence, and is translated."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from reminders import words
from reminders.care.circumstances import Circumstances, OtherMessage
from reminders.care.loading import load_plan, procedures_in
from reminders.care.plan import Plan
from reminders.care.quiet_hours import QuietHours
from reminders.care.resolving import resolve
from reminders.care.schedule import schedule
from reminders.care.values import ContactRules, Course, Joined
from reminders.sentences import filled
from tests.build import PLANS, up_to
from tests.sentences import makers, places, sentences, unknown_parts

SAMPLES = {
    **dict.fromkeys(("clock", "other_clock", "start"), "Tue 10 Mar 08:00"),
    **dict.fromkeys(("count", "day", "days", "hours", "id", "limit", "minutes", "most", "number", "version"), "7"),
    "database": "sqlite:///here",
    **dict.fromkeys(("code", "digits", "highest", "lowest", "path", "value"), "7"),
    **dict.fromkeys(("entry", "key", "option", "setting", "word"), "first_care"),
}


@pytest.fixture(autouse=True)
def _english_again() -> Iterator[None]:
    yield
    words.speak("en")


def sample(sentence: str) -> tuple[str, dict[str, str]]:
    """A text that a sentence makes, and what stands in its places."""
    values = {
        place: f"'a {place}'" if conversion == "r" else SAMPLES.get(place, f"some {place}")
        for place, conversion in places(sentence)
    }
    return filled(sentence, values), values


@pytest.mark.parametrize("sentence", sentences())
def test_a_text_is_made_by_one_sentence_only_and_made_again_from_what_is_found(sentence: str) -> None:
    text, values = sample(sentence)
    assert [(each, dict(found)) for each, found in makers(text)] == [(sentence, values)]


@pytest.mark.parametrize("procedure", procedures_in(PLANS))
def test_every_reason_of_every_plan_is_made_by_one_sentence(procedure: str) -> None:
    plan = load_plan(PLANS / procedure)
    texts = {
        reason.text
        for number in range(12)
        for message in messages_of(plan, random.Random(number))
        for reason in message.reasons
    }
    assert len(texts) > 50
    assert [part for text in sorted(texts) for part in unknown_parts(text)] == []


def messages_of(plan: Plan, chance: random.Random) -> Sequence[Joined]:
    """The schedule of a patient drawn by chance, beside another course, in a practice that writes little."""
    end = datetime(2026, 3, 6, tzinfo=UTC) + timedelta(minutes=chance.randrange(4 * 24 * 60))
    course = Course(
        procedure_end=end,
        zone=ZoneInfo(chance.choice(("America/Chicago", "Europe/London"))),
        language="en",
        factors=frozenset(chance.sample(plan.file.factors, chance.randrange(len(plan.file.factors)))),
        visit=chance.choice((None, end + timedelta(days=chance.randrange(3, 20)))),
        night_contact_agreed=chance.random() < 0.3,
    )
    resolved = resolve(plan, course)
    rules = ContactRules(quiet=QuietHours.every_day("20:00-09:00"), daily_limit=chance.choice((1, 2, 5)))
    late = timedelta(hours=chance.choice((0, 0, 5, 30)))
    alone = schedule(resolved, rules, Circumstances(not_before=end + late), fits=up_to(1))
    other = [
        OtherMessage(procedure=plan.procedure, key=each.first.key, text_name=each.first.text_name, send_at=each.send_at)
        for each in alone[::3]
    ]
    now = Circumstances(not_before=end + late, at_desk=chance.random() < 0.5, others=tuple(other))
    return schedule(resolved, rules, now, fits=up_to(chance.choice((1, 3))))
