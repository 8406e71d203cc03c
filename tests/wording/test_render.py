"""Rendering: values stay values, a message is framed once, and what is kept from one patient never reaches another."""

from __future__ import annotations

import shutil
import unicodedata
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reminders.care.loading import load_plan
from reminders.care.plan import Plan
from reminders.care.recent import Recent
from reminders.care.resolving import resolve
from reminders.care.schedule import Circumstances, expand
from reminders.care.values import Channel, Course, Occurrence
from reminders.errors import NotFound, PlanError
from reminders.wording.email_body import html
from reminders.wording.languages import TranslationStatus, read_language
from reminders.wording.render import CourseWording, Rendered, Sender, Wording
from tests.build import LEAD, PLANS, course_of, lead_plan, rules_of

SENDER = Sender(
    practice_name="Riverside Practice",
    practice_phone="+1 415 555 0100",
    after_hours_phone="",
    emergency_number="911",
)
WORDING = Wording(lead_plan())


def due(course: Course, key: str, plan: Plan | None = None) -> Occurrence:
    """The first occurrence of an instruction in a course."""
    resolved = resolve(plan or lead_plan(), course)
    found = expand(resolved, rules_of(), Circumstances(not_before=course.procedure_end))
    return next(each for each in found if each.key == key)


def words(course: Course, *, sender: Sender = SENDER, first_name: str = "Ana") -> CourseWording:
    return WORDING.for_course(resolve(lead_plan(), course), sender, first_name=first_name)


def render(course: Course, key: str, *, sender: Sender = SENDER, first_name: str = "Ana") -> Rendered:
    return words(course, sender=sender, first_name=first_name).render([due(course, key)])


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the lead plan whose texts may be changed."""
    shutil.copytree(PLANS / LEAD, tmp_path / LEAD)
    shutil.copytree(PLANS / "shared", tmp_path / "shared")
    return tmp_path / LEAD


def test_an_sms_is_framed_once_however_many_it_says() -> None:
    course = course_of()
    pair = [due(course, "soak"), due(course, "drainage_normal")]
    rendered = words(course).render(pair)
    alone = [words(course).render([each]).text.removeprefix("Riverside Practice: ") for each in pair]
    assert rendered.text == "Riverside Practice: " + "\n".join(alone)
    assert (rendered.subject, rendered.markdown) == (None, None)


def test_the_site_stands_in_the_frame_when_two_courses_run() -> None:
    rendered = render(course_of(site="left one", overlaps=True), "soak")
    assert rendered.text.startswith("Riverside Practice (left one): Soak")


def test_a_site_without_a_name_is_told_by_its_day() -> None:
    course = course_of(overlaps=True)
    assert render(course, "soak").text.startswith("Riverside Practice (area treated Wed, Jun 10): Soak")


def test_one_course_alone_names_no_site() -> None:
    assert render(course_of(site="left one"), "soak").text.startswith("Riverside Practice: Soak")


def test_an_email_has_the_first_ones_subject_and_all_bodies_in_order() -> None:
    course = course_of(channel=Channel.EMAIL, visit="2026-06-24T14:30")
    rendered = words(course).render([due(course, "visit"), due(course, "soak")])
    assert rendered.subject == "Your visit"
    assert rendered.text.startswith("Hello Ana,\n\nYour visit is on Wed, Jun 24 at 2:30 PM.")
    assert rendered.text.index("Your visit") < rendered.text.index("Soak the") < rendered.text.index("Questions?")
    assert rendered.text.count("Hello") == rendered.text.count("To stop these e-mails") == 1
    assert (rendered.encoding, rendered.units, rendered.segments) == (None, 0, 0)


def test_what_is_said_at_the_desk_has_the_words_for_the_desk() -> None:
    course = course_of()
    both = words(course).render([due(course, "confirmation")], said_now=[due(course, "pain_relief")])
    assert "Once you are home, take with food" in both.text
    assert words(course).fits([due(course, "confirmation")], most_segments=2)
    assert not words(course).fits([due(course, "confirmation")], most_segments=2, said_now=[due(course, "pain_relief")])


NAMES = {
    "arithmetic": "{{7*7}}",
    "statement": "{% for x in [1,2] %}x{% endfor %}",
    "comment": "{# gone #}",
    "attribute": "{{ ''.__class__.__mro__ }}",
    "variable": "{{ practice_phone }}",
    "html": "<b>Bo</b><script>1</script>",
    "link": "[click](https://evil.example.org)",
    "image": "![x](https://evil.example.org/x.png)",
    "emphasis": "**Bo** _Bo_ `Bo`",
    "heading": "# Bo",
    "list": "1. Bo",
    "ampersand": "&lt;Bo&amp;",
    "backslash": "Bo\\*Bo\\",
    "format": "%s {0} ${x}",
}


@pytest.mark.parametrize("channel", Channel)
@pytest.mark.parametrize("name", NAMES.values(), ids=NAMES)
def test_a_name_is_shown_as_it_is_and_never_run(name: str, channel: Channel) -> None:
    course = course_of(channel=channel)
    rendered = render(course, "confirmation", sender=replace(SENDER, practice_name=name), first_name=name)
    if channel is Channel.SMS:
        assert rendered.text.startswith(f"{name}: You will get")
        return
    assert rendered.subject == f"Your messages from {name}"
    assert rendered.text.startswith(f"Hello {name},\n\n")
    page = html(rendered.markdown or "", language="en", title="x")
    body = page[page.index("<body") :]
    assert not any(tag in body for tag in ("<script", "<b>", "<em>", "<code>", "<h1", "<img", "href=", "<ol"))
    assert "49" not in body


BREAKS = ["Ana\r\nBcc: x@example.org", "Ana\nBo", "Ana\x00Bo", "Ana\u2028Bo", "Ana\x1b[2J", "Ana\u202eoB", "Ana\ud800"]


@pytest.mark.parametrize("name", BREAKS, ids=ascii)
@pytest.mark.parametrize("channel", Channel)
def test_a_name_breaks_no_line_and_no_header(name: str, channel: Channel) -> None:
    course = course_of(channel=channel, site=name, overlaps=True)
    rendered = render(course, "confirmation", sender=replace(SENDER, practice_name=name), first_name=name)
    plain = render(course_of(channel=channel, site="Ana", overlaps=True), "confirmation", first_name="Ana")
    assert len(rendered.text.splitlines()) == len(plain.text.splitlines())
    for text in (rendered.text.replace("\n", ""), rendered.subject or ""):
        assert not any(unicodedata.category(char) in {"Cc", "Cs", "Zl", "Zp"} for char in text)
        assert "\u202e" not in text


def test_two_zones_share_an_instant_but_not_a_text() -> None:
    # Equal instants are equal datetimes whatever their zones, so a careless key would mix the two up.
    west = course_of("2026-06-10T12:30", "America/Los_Angeles")
    east = course_of("2026-06-10T15:30", "America/New_York")
    assert west.procedure_end == east.procedure_end
    assert "8:30 PM" in render(west, "pain_relief").text
    assert "11:30 PM" in render(east, "pain_relief").text


FACTORS = sorted(lead_plan().file.factors)
COURSES = st.builds(
    lambda day, minute, factors, settings, channel, visit, language: replace(
        course_of(
            f"2026-{day[0]:02d}-{day[1]:02d}T{minute // 60:02d}:{minute % 60:02d}",
            factors=factors,
            settings=settings,
            channel=channel,
            visit=f"2026-{day[0]:02d}-28T14:30" if visit else None,
        ),
        language=language,
    ),
    st.tuples(st.integers(1, 12), st.integers(1, 14)),
    st.integers(8 * 60, 21 * 60),
    st.sets(st.sampled_from(FACTORS), max_size=3),
    st.sampled_from([{}, {"chemical": "phenol"}, {"soak_minutes": 5}, {"block_hours": 3}]),
    st.sampled_from(Channel),
    st.booleans(),
    st.sampled_from(["en", "es"]),
)


@given(COURSES, st.data())
@settings(max_examples=60)
def test_what_is_kept_changes_no_text(course: Course, data: st.DataObject) -> None:
    resolved = resolve(lead_plan(), course)
    found = expand(resolved, rules_of(), Circumstances(not_before=course.procedure_end))
    each = data.draw(st.sampled_from(found), label="occurrence")
    fresh = Wording(lead_plan()).for_course(resolved, SENDER, first_name="Ana")
    assert words(course).render([each]) == fresh.render([each])


def test_a_store_forgets_the_oldest() -> None:
    store: Recent[int] = Recent(2)
    assert [store.get(key, lambda key=key: key) for key in (1, 2, 3, 1)] == [1, 2, 3, 1]  # type: ignore[misc]
    assert len(store) == 2
    assert store.get(3, lambda: 33) == 3
    assert store.get(2, lambda: 22) == 22


def test_a_text_may_use_every_value_it_is_promised(folder: Path) -> None:
    (folder / "en" / "soak.sms.j2").write_text(
        "{{ first_name }}/{{ emergency_number }}/{{ procedure_day | day_date }}/{{ stop_day | date_of_day | weekday }}/"
        "{{ send_at | clock }}/{{ dressing_applied | clock }}/{{ visit is none }}/{{ moved_earlier }}/{{ at_desk }}",
        encoding="utf-8",
    )
    plan = load_plan(folder)
    wording = Wording(plan)
    assert wording.faults() == ()
    course = course_of("2026-06-10T15:30")
    rendered = wording.for_course(resolve(plan, course), SENDER, first_name="Ana").render([due(course, "soak", plan)])
    expected = "Ana/911/Wed, Jun 10/Monday/7:00 PM/3:30 PM/True/False/False"
    assert rendered.text.removeprefix("Riverside Practice: ") == expected


def test_a_text_can_reach_nothing_but_its_values(folder: Path) -> None:
    for source in ("{{ ''.__class__.__mro__ }}", "{{ cycler.__init__.__globals__ }}", "{{ send_at.replace.__self__ }}"):
        (folder / "en" / "soak.sms.j2").write_text(source, encoding="utf-8")
        plan = load_plan(folder)
        course = course_of()
        bound = Wording(plan).for_course(resolve(plan, course), SENDER, first_name="")
        with pytest.raises(PlanError, match="soak"):
            bound.render([due(course, "soak", plan)])


def test_a_missing_value_names_the_file(folder: Path) -> None:
    (folder / "en" / "soak.sms.j2").write_text("{{ pacient }}", encoding="utf-8")
    plan = load_plan(folder)
    course = course_of()
    with pytest.raises(PlanError, match=r"soak\.sms\.j2.*pacient"):
        Wording(plan).for_course(resolve(plan, course), SENDER, first_name="").render([due(course, "soak", plan)])


def test_a_language_without_texts_is_refused() -> None:
    course = replace(course_of(), language="tlh")
    with pytest.raises(NotFound, match="there are en, es"):
        WORDING.for_course(resolve(lead_plan(), course), SENDER, first_name="")


def test_spanish_is_honest_about_being_a_draft() -> None:
    assert WORDING.translation_status("en") is TranslationStatus.ORIGINAL
    assert WORDING.translation_status("es") is TranslationStatus.DRAFT


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ('translation_status = "reviewed"', "reviewed_by"),
        ('translation_status = "perfect"', "translation_status"),
        ('translation_status = "draft"\nlocale = "xx_YY"', "xx_YY"),
        ('translation_status = "draft"\ncolour = 1', "colour"),
        ('translation_status = "draft', "TOML"),
    ],
)
def test_a_language_file_must_make_sense(tmp_path: Path, text: str, wrong: str) -> None:
    (tmp_path / "es").mkdir()
    (tmp_path / "es" / "language.toml").write_text(f'language = "es"\n{text}\n', encoding="utf-8")
    with pytest.raises(PlanError, match=wrong):
        read_language(tmp_path / "es")


def test_a_moment_late_in_the_plan_is_not_moved_earlier() -> None:
    course = course_of()
    each = due(course, "pain_relief")
    later = replace(each, planned_at=each.send_at - timedelta(minutes=5))
    assert "Take now" in words(course).render([later]).text
