"""Debian's Chromium as the tests drive it, and what axe-core says of a page."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, sync_playwright

from reminders.desk.roles import Role
from tests.desk.office import Office
from tests.web.people import employ, token_for
from tests.web.server import Server

AXE = Path(__file__).parent / "vendored" / "axe.min.js"
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
"""Of axe-core: the success criteria of WCAG 2.2, levels A and AA, that a program can judge."""
DESKTOP, TELEPHONE = 1280, 375


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
) -> Iterator[Page]:
    """A page of somebody with these roles, signed in; any error on its console fails the test.

    That a form was refused (400) is no error: Chromium says it of every such page.
    """
    context = browser.new_context(
        base_url=server.base,
        viewport={"width": width, "height": 800},
        color_scheme=theme,
        java_script_enabled=scripts,
    )
    if roles:
        token = token_for(office, employ(office, *roles))
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
    return said.type == "error" and "status of 400" not in said.text


def violations(page: Page) -> list[str]:
    """What axe-core finds wrong with the page, one line each; () when nothing is."""
    # Added by the debugger and not by the page, whose policy lets no script in.
    page.evaluate(AXE.read_text("utf-8"))
    found = page.evaluate("rules => axe.run(document, {runOnly: rules, resultTypes: ['violations']})", RULES)
    return [
        f"{each['id']}: {node['target']} {node['failureSummary']}"
        for each in found["violations"]
        for node in each["nodes"]
    ]


def overflow(page: Page) -> int:
    """By how many pixels the page is wider than its window."""
    page.wait_for_load_state()
    return int(page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))
