"""Debian's Chromium as the tests drive it, and what axe-core says of a page."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, sync_playwright

from reminders.desk.roles import Role
from tests.desk.office import Office
from tests.web.people import employ, token_for
from tests.web.server import Server

AXE = Path(__file__).parent / "vendored" / "axe.min.js"
RULES = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa")
"""Of axe-core: the success criteria of WCAG 2.2, levels A and AA, that a program can judge."""
COLOURS = ("color-contrast", "link-in-text-block")
"""Of these what another theme may change: it has other colours, and nothing else."""
DESKTOP, TELEPHONE, NARROWEST = 1280, 375, 320


@contextmanager
def chromium() -> Iterator[Browser]:
    """Start the system's Chromium."""
    names = ("chromium", "chromium-browser", "google-chrome")
    path = next((found for name in names if (found := shutil.which(name))), None)
    if path is None:
        pytest.fail("there is no Chromium; `sh tests/run` installs it")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield browser
        browser.close()


@contextmanager
def page_of(
    browser: Browser,
    server: Server,
    office: Office,
    *roles: Role,
    width: int = DESKTOP,
    theme: Any = "light",
    scripts: bool = True,
    staff_id: int = 0,
) -> Iterator[Page]:
    """A page of somebody with these roles, signed in; any error on its console fails the test.

    They are employed first when `staff_id` names nobody.
    """
    context = browser.new_context(
        base_url=server.base,
        viewport={"width": width, "height": 800},
        color_scheme=theme,
        java_script_enabled=scripts,
    )
    if roles:
        token = token_for(office, staff_id or employ(office, *roles))
        context.add_cookies([{"name": "staff", "value": token, "url": server.base}])
    page = context.new_page()
    page.set_default_timeout(15_000)
    troubles: list[str] = []
    page.on("console", lambda said: troubles.append(said.text) if _is_error(said) else None)
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on("dialog", lambda dialog: troubles.append(f"a dialog opened: {dialog.message}"))
    yield page
    context.close()
    assert troubles == []


def _is_error(said: ConsoleMessage) -> bool:
    # That a page was refused is no error, but Chromium says it of every such page.
    refused = "status of 4" in said.text and "/static/" not in said.location["url"]
    return said.type == "error" and not refused


_STICKS_OUT = """() => [...document.querySelectorAll(".card")].flatMap((card) => {
  const edge = card.getBoundingClientRect();
  const sticksOut = (at) => at.width && (at.left < edge.left - 1 || at.right > edge.right + 1);
  const within = [...card.querySelectorAll("input, select, textarea, button, .button")];
  return within.filter((each) => sticksOut(each.getBoundingClientRect())).map((each) => each.outerHTML.slice(0, 80));
})"""
Theme = Literal["light", "dark"]
Look = tuple[int, Theme, Sequence[str]]
EVERY_LOOK: tuple[Look, ...] = (
    (DESKTOP, "light", RULES), (DESKTOP, "dark", COLOURS), (TELEPHONE, "light", RULES), (TELEPHONE, "dark", COLOURS),
)  # fmt: skip
"""A width, a theme, and what is looked at there."""
_EACH_ONCE: tuple[Look, ...] = ((DESKTOP, "dark", COLOURS), (TELEPHONE, "light", RULES))


def faults(page: Page, name: str, looks: Sequence[Look] = EVERY_LOOK) -> list[str]:
    """What is wrong with an open page in each of these looks, one line each.

    WCAG 2.2 AA as far as axe-core judges it; 1.4.10 (reflow): nothing is wider than the window, nor than 320 px. The
    page stays as it was looked at last.
    """
    found = []
    for width, theme, rules in looks:
        page.set_viewport_size({"width": width, "height": 800})
        page.emulate_media(color_scheme=theme, reduced_motion="reduce")
        found += [f"{name}, {width} px, {theme}: {each}" for each in violations(page, rules)]
        if width == TELEPHONE:
            page.set_viewport_size({"width": NARROWEST, "height": 800})
        if (wider := overflow(page)) > 0:
            found.append(f"{name}, {width} px: {wider} px too wide")
        found += [f"{name}, {width} px: sticks out of its card: {each}" for each in page.evaluate(_STICKS_OUT)]
    return found


def looks_in(language: str) -> Sequence[Look]:
    """Return each width with each theme in English; in other languages each width and each theme once.

    So every two of language, width and theme meet, as a page has the same colours in every language.
    """
    return EVERY_LOOK if language == "en" else _EACH_ONCE


def violations(page: Page, rules: Sequence[str] = RULES) -> list[str]:
    """What axe-core finds wrong with the page, one line each; () when nothing is."""
    if page.evaluate("typeof axe") == "undefined":
        # Added by the debugger and not by the page, whose policy lets no script in.
        page.evaluate(AXE.read_text("utf-8"))
    found = page.evaluate("rules => axe.run(document, {runOnly: rules, resultTypes: ['violations']})", list(rules))
    return [
        f"{each['id']}: {node['target']} {node['failureSummary']}"
        for each in found["violations"]
        for node in each["nodes"]
    ]


def overflow(page: Page) -> int:
    """By how many pixels the page is wider than its window."""
    page.wait_for_load_state()
    return int(page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))


def tab_to(page: Page, selector: str) -> None:
    """Press Tab until an element has the focus, as somebody without a mouse does."""
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("wanted => document.activeElement?.matches(wanted)", selector):
            return
    pytest.fail(f"Tab never reaches {selector}")
