"""Keeps the plans as pages: every text for every kind of patient takes a moment to find, so each is made once."""

from __future__ import annotations

import logging
import re
from collections.abc import Callable, Hashable, Mapping
from functools import partial
from threading import Event

from markdown_it import MarkdownIt
from markupsafe import Markup

from reminders.desk.approve import files_last_approved
from reminders.desk.composing import Desk, House
from reminders.desk.plan_page import plan_page
from reminders.desk.plans import ReadyPlan
from reminders.errors import ReminderError
from reminders.records.database import Database
from reminders.web.pages import spoken_in
from reminders.words import language

_LOG = logging.getLogger(__name__)
_MARKDOWN = MarkdownIt("commonmark", {"html": False})
_QUOTED = re.compile(r"(<p><strong>([\w-]+), (?:sms|email)</strong>[^\n]*</p>\n)<blockquote>")


def _as_html(text: str) -> Markup:
    """Return the page; a text of another language says which, and from which side it is read (WCAG 2.2, 3.1.2)."""
    html = _MARKDOWN.render(text)
    spoken = _QUOTED.sub(lambda found: f"{found[1]}<blockquote {spoken_in(found[2])}>", html)
    return Markup(spoken)  # noqa: S704  the renderer lets no HTML of its source through


class PlanPages:
    """The page of each plan, made anew when anything changed that it follows from."""

    def __init__(self) -> None:
        self._kept: dict[str, tuple[Hashable, Markup]] = {}

    def page(self, ready: ReadyPlan, house: House, *, approved: Mapping[str, str] | None) -> Markup:
        """Return a plan's page without its title; `approved` holds the files as last approved."""
        key = (ready.content_hash, house, language(), frozenset(approved.items()) if approved is not None else None)
        kept = self._kept.get(ready.plan.procedure)
        if kept is None or kept[0] != key:
            text = plan_page(ready, house, approved=approved).partition("\n")[2]
            kept = key, _as_html(text)
            self._kept[ready.plan.procedure] = kept
        return kept[1]

    def make_all(self, database: Database, desk: Desk, *, closing: Event) -> None:
        """Make every page before somebody asks for it; stops when the server closes.

        All plans are read first, as every page of a course needs one.
        """
        steps: tuple[Callable[[str], object], ...] = (desk.library.get, partial(self._make, database, desk))
        for make in steps:
            for procedure in desk.library.names():
                if closing.is_set():
                    return
                try:
                    make(procedure)
                except ReminderError:
                    _LOG.warning("plan_page_not_made", extra={"procedure": procedure})

    def _make(self, database: Database, desk: Desk, procedure: str) -> None:
        ready = desk.library.get(procedure)
        with database.reading() as session:
            approved = files_last_approved(session, desk, procedure)
        self.page(ready, desk.house, approved=approved)
