"""What is said in English and shown in another language: every such text is made by one sentence, and is translated."""

from __future__ import annotations

import ast
import random
import re
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
from tests import catalogs
from tests.build import PLANS, up_to
from tests.sentences import makers, places, sentences, unknown_parts

SAMPLES = {
    **dict.fromkeys(("clock", "other_clock", "start"), "Tue 10 Mar 08:00"),
    **dict.fromkeys(("count", "day", "days", "hours", "id", "limit", "minutes", "most", "number", "version"), "7"),
    "database": "sqlite:///here",
    **dict.fromkeys(("code", "digits", "highest", "lowest", "path", "value"), "7"),
    **dict.fromkeys(("entry", "key", "option", "setting", "word"), "first_care"),
}

SAME = {"ar": set[str](), "es": {"{state} (error {error})", "Error: {message}"}}
LISTS = {"label", "signs", "unit"}


pytestmark = pytest.mark.usefixtures("english_again")


def sample(sentence: str) -> tuple[str, dict[str, str]]:
    """A text that a sentence makes, and what stands in its places."""
    values = {
        place: f"'a {place}'" if conversion == "r" else SAMPLES.get(place, f"some {place}")
        for place, conversion in places(sentence)
    }
    return filled(sentence, values), values


def test_a_text_is_made_by_one_sentence_only_and_made_again_from_what_is_found() -> None:
    found = {sentence: sample(sentence) for sentence in sentences()}
    made = {sentence: [(each, dict(values)) for each, values in makers(text)] for sentence, (text, _) in found.items()}
    assert len(found) > 500
    assert made == {sentence: [(sentence, values)] for sentence, (_, values) in found.items()}


@pytest.mark.parametrize("language", SAME)
def test_what_a_sentence_makes_is_told_in_every_language_with_what_stands_in_its_places(language: str) -> None:
    words.speak(language)
    lost = {}
    for sentence in sentences():
        text, values = sample(sentence)
        told = words.retold(text)
        kept = [value for place, value in values.items() if value not in SAMPLES.values() and place not in LISTS]
        missing = [value for value in kept if value not in told]
        if missing or (told == text and sentence not in SAME[language]):
            lost[sentence] = (told, missing)
    assert lost == {}


@pytest.mark.parametrize(
    ("text", "told"),
    [
        pytest.param(
            "quiet from 21:00, so Sun 8 Mar 08:00", "silencio desde las 21:00, así que dom 8 mar 08:00", id="day"
        ),
        pytest.param(
            "closing: gives way: at most 5 messages a day",
            "closing: cede el paso: como máximo 5 mensajes al día",
            id="joined",
        ),
        pytest.param("no earlier moment, she said", "no earlier moment, she said", id="a note that somebody wrote"),
        pytest.param("day 3, morning (Tue 10 Mar 08:00)", "día 3, mañana (mar 10 mar 08:00)", id="a slot"),
        pytest.param(
            "pus, fever; asked to stop messages: telephone",
            "pus, fiebre; pidió no recibir más mensajes: telefonee",
            id="signs",
        ),
        pytest.param(
            "config.toml: port: Field required", "config.toml: port: falta este campo", id="a fault of a file"
        ),
    ],
)
def test_a_text_is_told_in_the_language_spoken_and_in_english_as_it_is(text: str, told: str) -> None:
    assert words.retold(text) == text
    words.speak("es")
    assert words.retold(text) == told


@pytest.mark.parametrize(
    ("text", "told"),
    [
        pytest.param("quiet from 21:00, so Sun 8 Mar 08:00", "هدوء من 21:00، لذا الأحد 8 مارس 08:00", id="day"),
        pytest.param(
            "pus, fever; asked to stop messages: telephone", "صديد، حمى؛ طلب إيقاف الرسائل: اتصل بالهاتف", id="a list"
        ),
        pytest.param("config.toml: port: Field required", "config.toml: port: حقل مطلوب", id="names stay"),
    ],
)
def test_a_text_is_told_in_arabic_with_its_names_of_days_and_its_commas(text: str, told: str) -> None:
    words.speak("ar")
    assert words.retold(text) == told


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


BELOW_THE_DESK = (
    *("care/*.py", "wording/**/*.py", "replies/*.py", "records/*.py", "exchange/*.py"),
    *("delivery/**/*.py", "config*.py"),
)
FIELDS = {"text", "message", "note", "detail", "summary"}
MARKS = {"english", "gettext", "marked"}
NOT_FOR_STAFF = {"AssertionError", "KeyError", "NotBelieved", "NotReadable", "RuntimeError", "TypeError"}
"""Errors of programmers, and those of which only the log hears."""
FOR_PROGRAMS = {
    "bulk.py",
    "columns.py",
    "metrics.py",
    "monitor.py",
    "smpp_pdu.py",
    "clock.py",
    "values.py",
    "circumstances.py",
    "alphabets.py",
}


def bare(node: ast.AST) -> Iterator[ast.AST]:
    """Yield strings of words that no catalog knows of."""
    if (
        isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in {"english", "gettext", "marked"}
    ):
        return
    if isinstance(node, ast.JoinedStr | ast.Constant):
        parts = node.values if isinstance(node, ast.JoinedStr) else [node]
        literal = "".join(str(part.value) for part in parts if isinstance(part, ast.Constant))
        if re.search(r"[a-z]{2,} [a-z]{2,}", literal):
            yield node
        return
    for child in ast.iter_child_nodes(node):
        yield from bare(child)


def test_what_is_raised_and_why_something_was_done_is_marked() -> None:
    """Where no language is known: below the desk. There `gettext` is as good, and errors are told at once."""
    found = []
    files = [
        path for part in BELOW_THE_DESK for path in sorted(catalogs.PROGRAM.glob(part)) if path.name not in FOR_PROGRAMS
    ]
    for path in files:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            spoken: list[ast.AST] = []
            if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call):
                spoken = [*node.exc.args] if ast.unparse(node.exc.func) not in NOT_FOR_STAFF else []
            elif isinstance(node, ast.Call):
                spoken = [each.value for each in node.keywords if each.arg in FIELDS]
            found += [f"{path.name}:{part.lineno}" for each in spoken for part in bare(each)]  # type: ignore[attr-defined]
    assert found == []
