"""The page that a clinician reads before approving: nothing that a patient may get is missing from it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from itertools import product

import pytest

from reminders import words
from reminders.care.resolving import resolve
from reminders.care.schedule import Circumstances, expand
from reminders.care.values import Channel
from reminders.desk.composing import compose
from reminders.desk.plan_page import Forms, plan_page, text_forms
from reminders.desk.plans import PlanLibrary, ReadyPlan, files_of
from reminders.desk.prove.patients import population
from tests.build import PLANS, course_of
from tests.desk.prove.test_mutations import HOUSE

PROCEDURE = "corticosteroid-injection"


@pytest.fixture(scope="module")
def ready() -> ReadyPlan:
    """A plan of the repository with few instructions."""
    return PlanLibrary(PLANS).get(PROCEDURE)


@pytest.fixture(scope="module")
def page(ready: ReadyPlan) -> str:
    """Its page, never approved before."""
    return plan_page(ready, HOUSE, approved=None)


pytestmark = pytest.mark.usefixtures("english_again")


def files(ready: ReadyPlan) -> Mapping[str, str]:
    """What an approval keeps."""
    root = ready.plan.folder.parent
    return {path.relative_to(root).as_posix(): path.read_text("utf-8") for path in files_of(ready.plan)}


def test_every_instruction_has_its_rules_and_its_source(page: str, ready: ReadyPlan) -> None:
    for each in ready.plan.instructions:
        section = page.partition(f"### {each.key}\n")[2].partition("\n### ")[0]
        assert each.about in section
        for line in ("When: ", "For whom: ", "Then: ", f"Source: {each.source}"):
            assert f"- {line}" in section, (each.key, line)


def test_every_value_and_every_warning_sign_has_its_source(page: str, ready: ReadyPlan) -> None:
    for name, setting in ready.plan.file.settings.items():
        assert re.search(rf"- \*\*{name}\*\* .*Source: {re.escape(setting.source)}", page), name
    for sign in ready.plan.file.warning_sign:
        assert f"{sign.sign}. Source: {sign.source}" in page


@pytest.fixture(scope="module")
def forms(ready: ReadyPlan) -> Forms:
    """Every form of every text, as the page shows them."""
    return text_forms(ready, HOUSE)


@pytest.mark.parametrize("factors", [(), ("diabetes",), ("child",), ("blood_thinner", "diabetes")], ids=str)
def test_what_a_patient_gets_stands_on_the_page(ready: ReadyPlan, forms: Forms, factors: tuple[str, ...]) -> None:
    """Treated when the page's invented patient was, so that days and times are the same."""
    for language in ready.plan.file.languages:
        course = replace(course_of("2026-06-10T15:30", "UTC", factors=factors), language=language)
        composed = compose(ready, course, Circumstances(not_before=course.procedure_end), HOUSE, first_name="")
        for message in composed.messages:
            for each in message.joined.members:
                assert composed.words.body(each) in forms[each.text_name, language, Channel.SMS]
                assert forms[each.text_name, language, Channel.EMAIL]


def slow_forms(ready: ReadyPlan) -> Forms:
    """The same by the long way: a course of every kind of patient, with and without a visit, in every language."""
    forms: Forms = {}
    for kind in population(ready.plan).kinds:
        for visit, language, channel in product((None, "2026-06-24T15:30"), ready.plan.file.languages, Channel):
            course = course_of("2026-06-10T15:30", "UTC", factors=kind.factors, visit=visit)
            resolved = resolve(ready.plan, replace(course, language=language, channel=channel))
            words = ready.wording.for_course(resolved, HOUSE.sender, first_name="")
            for each in expand(resolved, HOUSE.rules, Circumstances(not_before=course.procedure_end)):
                rendered = words.render([each])
                sms = channel is Channel.SMS
                text = words.body(each) if sms else f"Subject: {rendered.subject}\n\n{rendered.text}"
                forms.setdefault((each.text_name, language, channel), {}).setdefault(text, kind)
    return forms


@pytest.mark.parametrize("procedure", [PROCEDURE, "vasectomy", "wart-cantharidin", "contraceptive-implant"])
def test_few_kinds_of_patients_show_every_form_that_all_of_them_do(procedure: str) -> None:
    ready = PlanLibrary(PLANS).get(procedure)
    found, expected = text_forms(ready, HOUSE), slow_forms(ready)
    assert found == expected
    assert sum(map(len, expected.values())) > len(expected)


def test_a_plan_never_approved_is_all_new(page: str) -> None:
    assert "never approved before: all of it is new" in page


def test_the_same_files_have_not_changed(ready: ReadyPlan) -> None:
    changes = plan_page(ready, HOUSE, approved=files(ready)).partition("since the last approval\n")[2]
    assert changes.partition("\n## ")[0].strip() == "Nothing."


def test_what_changed_is_shown_line_by_line(ready: ReadyPlan) -> None:
    before = dict(files(ready))
    text = "shared/en/confirmation.sms.j2"
    before[text] = before[text].replace("Not for emergencies: ", "")
    before["shared/en/gone.sms.j2"] = "A text that is no more.\n"
    shown = plan_page(ready, HOUSE, approved=before).partition("since the last approval\n")[2].partition("\n## ")[0]
    assert re.findall(r"\*\*(.+?)\*\*", shown) == [text, "shared/en/gone.sms.j2"]
    assert "    -A text that is no more." in shown
    lines = [line.strip() for line in shown.splitlines()]
    assert any(line.startswith("-") and "Not for emergencies" not in line for line in lines)
    assert any(line.startswith("+") and "Not for emergencies" in line for line in lines)


def test_a_draft_is_called_one(page: str) -> None:
    assert "- en: original\n- es: draft: no qualified translator has read it" in page


def test_the_page_is_in_the_language_of_staff_and_the_texts_in_theirs(ready: ReadyPlan, page: str) -> None:
    words.speak("es")
    spanish = plan_page(ready, HOUSE, approved=None)
    assert "## Qué se dice" in spanish
    assert "- Para quién: para todos." in spanish

    def quoted(of: str) -> list[str]:
        return [line for line in of.splitlines() if line.startswith(">")]

    assert quoted(spanish) == quoted(page)
