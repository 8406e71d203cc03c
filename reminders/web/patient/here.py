"""Knows whose page a link leads to, whether it is open to this browser, and leaves a trail of each look at it."""

from __future__ import annotations

import hmac
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from babel import Locale
from fastapi import Depends, HTTPException, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool

from reminders.desk.patient_page import PageRules, PatientPage, find_page, form_token, is_open, keep_open
from reminders.desk.trail import Action, note_attempt
from reminders.records.audit import DONE, PATIENT, REFUSED
from reminders.web.forms import Form, form_of, refuse_other_sites
from reminders.web.site import Site, site_of
from reminders.wording.dates import Calendar
from reminders.wording.languages import direction_of, read_language
from reminders.wording.links import PAGE_PATH, UNSUBSCRIBE_PATH
from reminders.wording.page_words import choose_page_language, page_languages, page_words
from reminders.wording.sheet import SHEET_FILE, SheetWords
from reminders.wording.word_files import read_words

_MOST_WANTED = 10


class Gone(Exception):
    """The link leads nowhere: it was not made here, is void, or has ended."""


class NotOpen(Exception):
    """The page has to be opened by its code first."""

    def __init__(self, at: AtPage) -> None:
        super().__init__()
        self.at = at


@dataclass(frozen=True, kw_only=True)
class AtPage:
    """A request that came by a patient's link."""

    site: Site
    request: Request
    rules: PageRules
    page: PatientPage
    form: Form
    action: str
    """What it does, as the trail names it: `page.see`."""

    @property
    def path(self) -> str:
        """Where the page lies."""
        return f"{PAGE_PATH}{self.request.path_params['token']}/"

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """Give a session that reads."""
        with self.site.database.reading() as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """Give a session that writes."""
        with self.site.database.writing(by=PATIENT) as session:
            yield session

    def trail(self, *, was_refused: bool = False) -> None:
        """Note what the page is about to show, or did; whoever has link and code is taken for the patient."""
        look = (self.page.patient_id, f"enrollment {self.page.enrollment_id}: {self.action}")
        with self.writing() as session:
            outcome = REFUSED if was_refused else DONE
            note_attempt(session, self.site.desk, Action.PAGE_ACT, outcome=outcome, whose=look)

    def show(self, name: str, *, status: int = 200, language: str = "", **values: Any) -> Response:
        """Return a page in the patient's language."""
        known = {"here": self.path, "csrf": form_token(self.rules, self.page)}
        return show(self.site, name, language or self.page.language, status=status, **{**known, **values})

    def kept_open(self, answer: Response) -> Response:
        """Let this browser come back for a while without the code."""
        value, until = keep_open(self.site.desk, self.rules, self.page)
        self._set_cookie(answer, value, seconds=int((until - self.site.clock.now()).total_seconds()))
        return answer

    def closed(self, answer: Response) -> Response:
        """Let this browser come back with the code only."""
        self._set_cookie(answer, "", seconds=0)
        return answer

    def _set_cookie(self, answer: Response, value: str, *, seconds: int) -> None:
        # Its path is the page's: two patients of one household have a cookie each, and neither sees the other's.
        answer.set_cookie(
            cookie_name(self.site),
            value,
            max_age=seconds,
            path=self.path,
            secure=self.site.web.is_encrypted,
            httponly=True,
            samesite="strict",
        )


def comes(action: str, *, closed_too: bool = False) -> Callable[..., Any]:
    """Return the dependency that every page of patients has: a link of ours, opened, and a form of ours.

    `closed_too` is for what is done before it is open; such a form carries nothing, and its answer shows nothing.
    """

    async def here(request: Request, token: str, form: Form = Depends(form_of)) -> AtPage:  # noqa: B008  FastAPI's way
        site = site_of(request)
        found = await run_in_threadpool(_found, site, token)
        if found is None:
            raise Gone
        rules, page = found
        at = AtPage(site=site, request=request, rules=rules, page=page, form=form, action=action)
        refuse_other_sites(request)
        if closed_too:
            return at
        if not is_open(site.desk, rules, page, request.cookies.get(cookie_name(site), "")):
            raise NotOpen(at)
        sent = form.text("csrf").encode()
        if request.method == "POST" and not hmac.compare_digest(form_token(rules, page).encode(), sent):
            raise HTTPException(403)
        return at

    depends: Callable[..., Any] = Depends(here)
    here.__dict__.update(action=action)
    return depends


def cookie_name(site: Site) -> str:
    """Return the cookie's name; with the prefix it only comes over TLS (RFC 6265bis section 4.1.3)."""
    return "__Secure-page" if site.web.is_encrypted else "page"


def show(site: Site, name: str, language: str, *, status: int = 200, **values: Any) -> Response:
    """Return a page for patients in a language that has words for it."""
    shared = site.desk.library.shared
    words = {
        "words": page_words(shared, language),
        "sheet": read_words(shared / language / SHEET_FILE, SheetWords),
        "language": language,
        "direction": direction_of(language),
        "direction_of": direction_of,
    }
    return site.pages.show(f"patient/{name}", status=status, **{"here": "", "copy": "", **words, **values})


def wanted_language(site: Site, request: Request, *first: str) -> str:
    """Return the language for somebody we don't know: one named first, the browser's, the practice's."""
    known = page_languages(site.desk.library.shared, drafts=site.desk.demo)
    asked = request.headers.get("accept-language", "")[:200].split(",")[:_MOST_WANTED]
    codes = [each.partition(";")[0].strip() for each in asked]
    return choose_page_language(known, *first, *codes, site.desk.language)


def is_patients(request: Request) -> bool:
    """Say whether a request came by a link of a patient's."""
    return request.url.path.startswith((PAGE_PATH, UNSUBSCRIBE_PATH))


def refuse_patient(request: Request, status: int) -> Response:
    """Return the page that says to a patient that something can't be done, and whom to call."""
    site = site_of(request)
    name = "gone.html" if status == 404 else "failed.html"
    return show(site, name, wanted_language(site, request), status=status)


def gone(request: Request, _error: Exception) -> Response:
    """Return the page that a link leads to which opens nothing; the same whatever is wrong with it."""
    return refuse_patient(request, 404)


def calendar_in(site: Site, language: str) -> Calendar:
    """Return what writes dates and times in a language."""
    return Calendar(read_language(site.desk.library.shared / language).cldr_locale)


def language_name(code: str, language: str) -> str:
    """Return what a language is called in another: `Spanish`; the code when nobody knows."""
    return Locale.parse(code, sep="-").get_display_name(language.replace("-", "_")) or code


def _found(site: Site, token: str) -> tuple[PageRules, PatientPage] | None:
    rules = site.app.page_rules
    if rules is None:
        return None
    with site.database.reading() as session:
        page = find_page(session, site.desk, rules, token)
    return (rules, page) if page is not None else None
