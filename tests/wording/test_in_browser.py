"""E-mails and the sheet as Chromium shows them: light, dark, enlarged, on paper, and without fetching anything."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Literal

import pytest
from playwright.sync_api import Browser, Page

from reminders.care.schedule import Circumstances
from reminders.care.values import Channel
from reminders.desk.composing import ComposedCourse, compose
from reminders.desk.plans import PlanLibrary
from reminders.desk.sheet import sheet_of
from reminders.wording.email_body import html
from reminders.wording.sheet import SheetPage, as_html
from tests.build import LEAD, PLANS, course_of
from tests.desk.prove.test_mutations import HOUSE
from tests.web.browser import chromium, overflow, violations

NARROW = 320
"""A desktop window of 1280 pixels at 400 % (WCAG 2.2, success criterion 1.4.10)."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as started:
        yield started


def composed(language: str, channel: Channel) -> ComposedCourse:
    course = replace(
        course_of("2026-03-07T15:30", visit="2026-03-21T10:00", factors=("diabetes",)),
        language=language,
        channel=channel,
    )
    ready = PlanLibrary(PLANS).get(LEAD)
    return compose(ready, course, Circumstances(not_before=course.procedure_end), HOUSE, first_name="Robin")


@pytest.fixture(scope="module", params=["en", "es"])
def mails(request: pytest.FixtureRequest) -> str:
    """Every e-mail of a course, one below the other as one page, as the browser takes its time for each page."""
    rendered = [each.rendered.markdown or "" for each in composed(request.param, Channel.EMAIL).messages]
    return html("\n".join(rendered), language=request.param, title="Every e-mail")


@pytest.fixture(scope="module")
def sheet() -> str:
    """The sheet of the same course."""
    return as_html(sheet_of(composed("en", Channel.SMS), HOUSE, first_name="Robin"), PLANS / "shared")


def shown(browser: Browser, content: str, *, width: int = 800, theme: Literal["light", "dark"] = "light") -> Page:
    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=theme)
    page.on("request", lambda request: pytest.fail(f"fetches {request.url}"))
    page.set_content(content)
    return page


# WCAG 2.2, what axe-core can judge of it: contrast (1.4.3), language (3.1.1), structure (1.3.1).
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_every_mail_can_be_read_in_light_and_in_dark(
    browser: Browser, mails: str, theme: Literal["light", "dark"]
) -> None:
    page = shown(browser, mails, theme=theme)
    assert violations(page) == []
    page.close()


def test_dark_is_dark_and_light_is_light(browser: Browser, mails: str) -> None:
    grounds = []
    for theme in ("light", "dark"):
        page = shown(browser, mails, theme="dark" if theme == "dark" else "light")
        colour = page.evaluate("getComputedStyle(document.querySelector('.sheet')).backgroundColor")
        grounds.append(sum(int(part) for part in colour.strip("rgb()").split(",")))
        page.close()
    assert grounds[0] == 3 * 255
    assert grounds[1] < 3 * 64


# WCAG 2.2, 1.4.4: text at 200 %; 1.4.10: no scrolling in two directions.
def test_enlarged_to_twice_its_size_nothing_of_a_mail_is_cut_off(browser: Browser, mails: str) -> None:
    page = shown(browser, mails, width=NARROW)
    page.add_style_tag(content=".sheet { font-size: 224% !important; }")
    assert overflow(page) <= 0
    page.close()


def test_arabic_runs_from_right_to_left(browser: Browser) -> None:
    page = shown(browser, html("مرحبا، **اتصل بنا** 212-555-0100.", language="ar", title="رسالة"))
    box = page.evaluate(
        "(() => { const r = document.createRange(); r.selectNodeContents(document.querySelector('.sheet p'));"
        " const b = r.getBoundingClientRect(), s = document.querySelector('.sheet').getBoundingClientRect();"
        " return [b.left - s.left, s.right - b.right]; })()"
    )
    page.close()
    assert box[1] < box[0]


def test_the_sheet_is_large_print_and_nothing_of_its_picture_is_cut_off(browser: Browser, sheet: str) -> None:
    page = shown(browser, sheet)
    page.emulate_media(media="print")
    assert page.evaluate("parseFloat(getComputedStyle(document.body).fontSize)") >= 14 * 96 / 72
    cut = page.evaluate(
        "(() => { const f = document.querySelector('svg.timeline').getBoundingClientRect();"
        " return [...document.querySelectorAll('svg.timeline circle')].map(c => c.getBoundingClientRect())"
        ".filter(c => c.bottom > f.bottom || c.top < f.top || c.right > f.right).length; })()"
    )
    assert cut == 0
    assert page.locator("svg.timeline circle").count() == page.locator("td.number").count()
    assert violations(page) == []
    page.close()


def test_the_code_that_leads_to_the_patients_page_can_be_read_from_paper(browser: Browser) -> None:
    page = SheetPage(url="https://aftercare.example.org/my/123456-AAAAAAAAAAAAAAAAAAAAAA/", code="012345")
    sheet = replace(sheet_of(composed("en", Channel.SMS), HOUSE, first_name="Robin"), page=page)
    drawn = shown(browser, as_html(sheet, PLANS / "shared"))
    code = drawn.locator(".page svg")
    box, modules = code.bounding_box(), int((code.get_attribute("viewBox") or "").split()[2])
    drawn.close()
    # At 0.5 mm a module and more telephones read a code from paper, its margin of 4 modules included: ISO/IEC 18004,
    # from memory.
    assert box is not None
    assert min(box["width"], box["height"]) / 96 * 25.4 >= modules * 0.5
