"""The patient's page in a real browser: languages, themes, widths, without scripts, without internet, by keyboard."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from tests.desk.office import CHICAGO, Office
from tests.web.browser import COLOURS, EVERY_LOOK, RULES, TELEPHONE, faults, looks_in, tab_to, violations
from tests.web.patients import Way, practice_with_pages, way_to
from tests.web.server import Server, serving

expect.set_options(timeout=15_000)
ENLARGED = 640
"""A desktop window of 1280 pixels at 200 % (WCAG 2.2, success criterion 1.4.4)."""
CHEST = "my chest hurts and I can't breathe"
_KEPT = """async () => {
  const found = [];
  for (const name of await caches.keys()) {
    for (const each of await (await caches.open(name)).keys()) found.push(each.url);
  }
  return found;
}"""
"""The addresses of everything that the site keeps on the device."""
_AGE = """async () => {
  const [name] = await caches.keys();
  const store = await caches.open(name);
  const page = await store.match(location.href);
  const headers = new Headers(page.headers);
  headers.set("X-Page-Ends", String(Math.floor(Date.now() / 1000) - 1));
  await store.put(location.href, new Response(await page.text(), { headers }));
}"""
"""Makes the kept page one whose link ended a second ago: the clock of a worker can't be moved."""
TONGUES = {"en": ("ltr", "Your care at home"), "es": ("ltr", "Su cuidado en casa"), "ar": ("rtl", "العناية في المنزل")}


@pytest.fixture
def office(tmp_path: Path, empty_database: Path) -> Iterator[Office]:
    """Robin was treated yesterday, and takes the dressing off now.

    By the browser's own day, as that decides how long a copy is kept.
    """
    yesterday = datetime.now(CHICAGO).date() - timedelta(days=1)
    with practice_with_pages(tmp_path, empty_database, f"{yesterday}T10:30") as office:
        office.enroll(first_name="Robin", visit=f"{yesterday + timedelta(days=14)}T09:30")
        office.play(f"{yesterday + timedelta(days=1)}T10:40")
        yield office


@contextmanager
def device(browser: Browser, base: str, *, width: int = TELEPHONE, **how: Any) -> Iterator[BrowserContext]:
    """A device; any error of a page on it fails the test, also what its policy refused."""
    troubles: list[str] = []
    context = browser.new_context(base_url=base, viewport={"width": width, "height": 800}, **how)
    context.set_default_timeout(15_000)
    context.on("weberror", lambda error: troubles.append(str(error.error)))
    context.on("console", lambda said: troubles.append(said.text) if said.type == "error" else None)
    yield context
    context.close()
    # Chromium counts every answer that refuses something, and every one that does not come, as an error.
    assert [each for each in troubles if not each.startswith("Failed to load resource")] == []


def opened(context: BrowserContext, way: Way) -> Page:
    """The page, opened by its code."""
    page = context.new_page()
    page.goto(way.path)
    page.get_by_role("textbox").fill(way.code)
    page.locator("form button").click()
    expect(page.locator("#now")).to_be_visible()
    return page


def speak(page: Page, language: str) -> None:
    """Change the page's language by its form."""
    page.locator("details", has=page.locator("#language")).locator("summary").click()
    page.locator("#language").select_option(language)
    page.locator("form[action$=language] button").click()
    expect(page.locator("html")).to_have_attribute("lang", language)


@pytest.mark.parametrize("language", TONGUES)
def test_the_page_holds_wcag_and_fits(browser: Browser, server: Server, way: Way, language: str) -> None:
    with device(browser, server.base, reduced_motion="reduce") as context:
        page = opened(context, way)
        if language != "en":
            speak(page, language)
        direction, title = TONGUES[language]
        expect(page.locator("html")).to_have_attribute("dir", direction)
        expect(page.locator("h1")).to_contain_text(title)
        page.locator("details").evaluate_all("all => all.forEach(each => { each.open = true })")
        assert page.evaluate("document.getAnimations().length") == 0
        assert faults(page, "page", (*EVERY_LOOK, (ENLARGED, "light", RULES), (ENLARGED, "dark", COLOURS))) == []


@pytest.mark.parametrize("language", TONGUES)
def test_the_pages_around_it_hold_wcag_and_fit(browser: Browser, server: Server, way: Way, language: str) -> None:
    wrong = []
    with device(browser, server.base) as context:
        page = opened(context, way)
        if language != "en":
            speak(page, language)
        page.locator("#times summary").click()
        page.locator("#slot-evening").fill("18:15")
        page.locator("form[action$=times] button").click()
        wrong += faults(page, "times", looks_in(language))
        page.goto(way.path)
        page.locator("details", has=page.locator("form[action$=stop]")).locator("summary").click()
        page.locator("form[action$=stop] button").click()
        wrong += faults(page, "stop", looks_in(language))
        page.goto(way.path)
        page.locator("#words").fill(CHEST)
        page.locator("form[action$=call] button").click()
        wrong += faults(page, "emergency", looks_in(language))
        page.goto(way.path)
        page.locator("form[action$=forget] button").click()
        wrong += faults(page, "forgotten", looks_in(language))
        page.goto(way.path)
        page.get_by_role("textbox").fill("000000")
        page.locator("form button").click()
        wrong += faults(page, "code", looks_in(language))
        page.goto("/my/1-AAAAAAAAAAAAAAAAAAAAAA/")
        wrong += faults(page, "gone", looks_in(language))
    assert wrong == []


def test_everything_works_without_scripts(browser: Browser, server: Server, office: Office, way: Way) -> None:
    with device(browser, server.base, java_script_enabled=False) as context:
        page = opened(context, way)
        expect(page.get_by_text("stays on your device")).to_be_hidden()
        page.locator("#times summary").click()
        page.locator("#slot-evening").fill("18:15")
        page.get_by_role("button", name="See what changes").click()
        page.get_by_role("button", name="Save").click()
        expect(page.get_by_role("status")).to_have_text("Your new times are saved.")
        page.get_by_label("What is it about?").fill("the dressing is wet")
        page.get_by_role("button", name="Ask for a call").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("We have your request")
        page.get_by_role("link", name="Back to your page").click()
        speak(page, "es")
        page.locator("summary", has_text="Terminar mis mensajes").click()
        page.get_by_role("button", name="Terminar mis mensajes").click()
        page.get_by_role("button", name="Sí, terminar").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Sus mensajes han terminado")
        page.goto(way.path)
        page.get_by_role("button", name="Quitarla de aquí").click()
        page.goto(way.path)
        expect(page.get_by_label("Su código")).to_be_visible()
    assert office.contact_states() == ["stopped"]
    assert office.moments(1, "soak")[0].endswith("18:15")
    assert len(office.concerns()) == 1


def test_a_call_is_asked_for_by_keyboard_alone(browser: Browser, server: Server, office: Office, way: Way) -> None:
    with device(browser, server.base) as context:
        page = context.new_page()
        page.goto(way.path)
        tab_to(page, "#code")
        page.keyboard.type(way.code)
        page.keyboard.press("Enter")
        expect(page.locator("#now")).to_be_visible()
        tab_to(page, "#words")
        page.keyboard.type("it bleeds a little")
        page.keyboard.press("Tab")
        focus = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        page.keyboard.press("Enter")
        expect(page.get_by_role("heading", level=1)).to_have_text("We have your request")
    assert focus == "solid"
    assert len(office.concerns()) == 1


def test_an_emergency_is_told_at_once_and_dials(browser: Browser, server: Server, way: Way) -> None:
    with device(browser, server.base) as context:
        page = opened(context, way)
        page.locator("#words").fill(CHEST)
        page.get_by_role("button", name="Ask for a call").click()
        alert = page.get_by_role("alert")
        expect(alert.get_by_role("link")).to_have_attribute("href", "tel:911")
        expect(alert).to_contain_text("Call 911 now. Do not wait for us and do not drive yourself.")


def test_a_page_that_was_left_open_is_true_again_when_looked_at(
    browser: Browser, server: Server, office: Office, way: Way
) -> None:
    with device(browser, server.base) as context:
        page = context.new_page()
        page.clock.install()
        page.goto(way.path)
        page.get_by_role("textbox").fill(way.code)
        page.locator("form button").click()
        expect(page.locator(".now")).to_contain_text("first dressing off")
        office.play(f"{office.clock.now().astimezone(CHICAGO):%Y-%m-%d}T19:30")
        _come_back(page, way)
        expect(page.locator(".now")).to_contain_text("Soak")
        page.locator("#words").fill("half a sentence")
        _come_back(page, way)
        page.wait_for_timeout(500)
        expect(page.locator("#words")).to_have_value("half a sentence")


def test_words_of_others_never_run(browser: Browser, server: Server, office: Office) -> None:
    office.enroll(first_name="<img src=x onerror=alert(1)>", phone="312-555-0155")
    with device(browser, server.base) as context:
        page = opened(context, way_to(office, 2))
        page.on("dialog", lambda dialog: pytest.fail(f"a dialog opened: {dialog.message}"))
        expect(page.locator("h1")).to_contain_text("<img src=x")
        page.locator("#words").fill("<script>alert(1)</script>")
        page.get_by_role("button", name="Ask for a call").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("We have your request")


def test_the_page_opens_without_internet_and_says_so(browser: Browser, office: Office, way: Way) -> None:
    with device(browser, "http://127.0.0.1") as context:
        with serving(office.app) as server:
            page = _kept(context, server, way)
        page.reload()  # the server is gone
        expect(page.get_by_role("status")).to_contain_text("You have no internet")
        expect(page.locator("#so-far")).to_contain_text("first dressing off")
        expect(page.locator("#to-come")).to_contain_text("Soak the treated area")
        expect(page.locator("#signs")).to_be_visible()
        expect(page.locator("header a.sos")).to_have_attribute("href", "tel:911")
        for gone in ("#now", "#words", "form[action$=stop]"):
            expect(page.locator(gone)).to_be_hidden()
        assert page.evaluate("getComputedStyle(document.querySelector('.house')).fontWeight") == "700", "styled"
        assert violations(page) == []


def test_what_was_typed_without_internet_is_said_not_to_be_sent(browser: Browser, office: Office, way: Way) -> None:
    with device(browser, "http://127.0.0.1") as context:
        with serving(office.app) as server:
            page = _kept(context, server, way)
            page.locator("#words").fill(CHEST)
        page.get_by_role("button", name="Ask for a call").click()
        expect(page.get_by_role("status")).to_contain_text("Nothing can be sent from here: call us.")
        expect(page.locator("header a.sos")).to_be_visible()
    assert office.concerns() == []


def test_the_copy_holds_the_page_alone_and_goes_with_one_press(browser: Browser, server: Server, way: Way) -> None:
    with device(browser, server.base) as context:
        page = _kept(context, server, way)
        page.locator("#words").fill("my private words")
        page.get_by_role("button", name="Ask for a call").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("We have your request")
        kept = page.evaluate(_KEPT)
        assert sorted(each.split("?")[0] for each in kept) == [
            f"{server.base}{way.path}",
            f"{server.base}/static/icon.svg",
            f"{server.base}/static/patient.css",
            f"{server.base}/static/patient.js",
        ]
        page.goto(way.path)
        page.get_by_role("button", name="Remove it from this device").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("It is no longer on this device")
        assert page.evaluate(_KEPT) == []
        assert page.evaluate("navigator.serviceWorker.getRegistrations().then(found => found.length)") == 0


def test_the_copy_does_not_outlive_the_link(browser: Browser, office: Office, way: Way) -> None:
    """The browser's clock passes the end of the link while there is no internet."""
    with device(browser, "http://127.0.0.1") as context:
        with serving(office.app) as server:
            page = _kept(context, server, way)
            assert page.evaluate("caches.keys().then(found => found.length)") == 1
            page.evaluate(_AGE)
        with pytest.raises(Exception, match="ERR_"):
            page.reload()
        page.close()  # the browser's own page for the failure would try again by itself, in between
        with serving(office.app, port=urlsplit(server.base).port or 0):
            page = context.new_page()
            page.goto(f"{server.base}/my/1-AAAAAAAAAAAAAAAAAAAAAA/")
            assert page.evaluate(_KEPT) == []


def test_a_link_that_is_void_takes_the_copy_away(browser: Browser, server: Server, office: Office, way: Way) -> None:
    with device(browser, server.base) as context:
        page = _kept(context, server, way)
        office.clock.move_to(max(message.send_at for message in office.messages(1)))
        office.clock.advance(timedelta(days=14))
        page.reload()
        expect(page.get_by_role("heading", level=1)).to_have_text("This link does not work")
        assert page.evaluate(_KEPT) == []


def _come_back(page: Page, way: Way) -> None:
    """Turn to the page again after a day, in a browser whose clock says so."""
    page.request.post(f"{way.path}open", form={"code": way.code})
    page.clock.fast_forward(24 * 60 * 60 * 1000)
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")


def _kept(context: BrowserContext, server: Server, way: Way) -> Page:
    """The open page, once its copy is on the device."""
    page = opened(context, Way(path=f"{server.base}{way.path}", code=way.code))
    expect(page.get_by_text("stays on your device")).to_be_visible()
    for _ in range(150):
        if len(page.evaluate(_KEPT)) == 4:
            return page
        page.wait_for_timeout(100)
    pytest.fail("no copy is kept")
