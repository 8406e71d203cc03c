"""The sheet says what the messages say, and what is said at the desk."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from reminders.assembly import assemble_for_preview
from reminders.care.values import Outcome
from reminders.desk.composing import ComposedCourse
from reminders.desk.course_facts import CourseInput
from reminders.desk.preview import preview
from reminders.desk.sheet import sheet_of
from reminders.errors import InputError
from reminders.exchange.pdf import as_pdf
from reminders.wording.sheet import Sheet, SheetPage, as_html, as_text

APP, _ = assemble_for_preview(None)
SHARED = APP.library.shared


def composed_at(end: str, *, language: str = "en", factors: tuple[str, ...] = ()) -> ComposedCourse:
    given = CourseInput(end=end, zone="America/Los_Angeles", language=language, factors=factors)
    return preview(APP.library.get("partial-nail-avulsion-chemical"), given, APP.house, first_name="Ana <b>")


def sheet_at(end: str, *, language: str = "en", factors: tuple[str, ...] = ()) -> Sheet:
    return sheet_of(composed_at(end, language=language, factors=factors), APP.house, first_name="Ana <b>")


class _Texts(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.tags: list[str] = []

    def handle_data(self, data: str) -> None:
        self.found.append(data)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)


def read_page(page: str) -> _Texts:
    parser = _Texts()
    parser.feed(page)
    return parser


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("end", ["2026-03-07T15:30", "2026-03-07T20:50"], ids=["afternoon", "late"])
def test_every_scheduled_text_stands_on_the_sheet(end: str, language: str) -> None:
    composed = composed_at(end, language=language)
    page = " ".join(read_page(as_html(sheet_at(end, language=language), SHARED)).found)
    said = [m for each in composed.messages if each.joined.outcome is not Outcome.WITHHELD for m in each.joined.members]
    assert said
    assert [member.key for member in said if composed.words.body(member) not in page] == []


def test_each_scheduled_message_has_its_line_at_its_time() -> None:
    composed, sheet = composed_at("2026-03-07T15:30"), sheet_at("2026-03-07T15:30")
    scheduled = [each.joined for each in composed.messages if each.joined.outcome is Outcome.SCHEDULED]
    assert [step.at for step in sheet.steps] == [each.send_at for each in scheduled for _ in each.members]


def test_a_text_said_before_is_referred_to_by_its_number() -> None:
    steps = sheet_at("2026-03-07T15:30").steps
    first = {step.number: step.text for step in steps if step.text}
    repeated = [step for step in steps if step.text is None]
    assert len(repeated) >= 6, "seven soaks in the lead plan, six of them repeated"
    assert all(step.number in first for step in repeated)


def test_what_no_message_can_say_in_time_stands_in_the_box_for_now() -> None:
    late = sheet_at("2026-03-07T20:50")
    assert any("5:50 AM" in text for text in late.now), "block_hours 8 after 20:50"
    assert not any("5:50 AM" in (step.text or "") for step in late.steps)


def test_the_numbers_to_call_and_the_signs_stand_on_top() -> None:
    lines = as_text(sheet_at("2026-03-07T15:30"), SHARED).splitlines()
    top = "\n".join(lines[:24])
    assert "212-555-0100" in top
    assert "911" in top
    assert "WHEN TO CALL" in top


def test_the_sheet_says_nothing_of_a_page_that_is_not_served() -> None:
    sheet = sheet_at("2026-03-07T15:30")
    assert "Your page" not in as_html(sheet, SHARED) + as_text(sheet, SHARED)


def test_the_sheet_leads_to_the_patients_page_by_code_and_qr() -> None:
    page = SheetPage(url="https://desk.example.org/my/12-AAAAAAAAAAAAAAAAAAAAAA/", code="012345")
    sheet = replace(sheet_at("2026-03-07T15:30"), page=page)
    printed = as_html(sheet, SHARED)
    assert "<svg" in printed
    for said in (printed, as_text(sheet, SHARED)):
        assert page.url in said
        assert page.code in said


def test_a_name_cannot_become_markup() -> None:
    page = as_html(sheet_at("2026-03-07T15:30"), SHARED)
    assert "Ana &lt;b&gt;" in page
    assert "b" not in read_page(page).tags


def test_the_page_fetches_nothing_and_runs_nothing() -> None:
    page = read_page(as_html(sheet_at("2026-03-07T15:30"), SHARED))
    assert not {"script", "img", "link", "iframe", "object"} & set(page.tags)


def test_plain_lines_fit_the_width() -> None:
    text = as_text(sheet_at("2026-03-07T20:50", factors=("diabetes",)), SHARED, width=60)
    assert max(map(len, text.splitlines())) <= 60


def test_the_sheet_prints_as_pdf() -> None:
    assert as_pdf(as_html(sheet_at("2026-03-07T15:30"), SHARED)).startswith(b"%PDF-")  # ISO 32000-1 section 7.5.2


def test_without_a_browser_the_error_says_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(InputError, match=r"\.html file"):
        as_pdf("<p>")
