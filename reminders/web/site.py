"""Knows what every request needs: the program, the templates, the limits."""

from __future__ import annotations

import logging
from dataclasses import dataclass, field
from datetime import timedelta
from threading import Event
from typing import Annotated

from fastapi import Depends, Request
from sqlalchemy.exc import SQLAlchemyError

from reminders.assembly import App
from reminders.clock import Clock
from reminders.config_web import WebSection
from reminders.desk.composing import Desk
from reminders.errors import ReminderError
from reminders.records.database import Database
from reminders.records.directory import read_ahead
from reminders.web.limits import Limiter
from reminders.web.pages import Pages
from reminders.web.plan_checks import PlanChecks
from reminders.web.plan_pages import PlanPages
from reminders.web.shown_lately import ShownLately

_LOG = logging.getLogger(__name__)
_NAMES_EVERY_SECONDS = 60
_PAUSE_SECONDS = 0.01
"""Between two steps of reading names, each of which takes some ten times as long."""


@dataclass(frozen=True, kw_only=True)
class Site:
    """One practice's pages, made once and shared by all requests."""

    app: App
    pages: Pages
    dispatches: bool = False
    """Whether this process sends what is due, too."""
    sign_ins: Limiter = field(default_factory=lambda: Limiter(most=20, within=timedelta(minutes=5)))
    """Tries to sign in, by the caller's address."""
    codes: Limiter = field(default_factory=lambda: Limiter(most=30, within=timedelta(minutes=5)))
    """Codes typed to open patients' pages, likewise; each page has a lock of its own, in the database."""
    plan_pages: PlanPages = field(default_factory=PlanPages)
    plan_checks: PlanChecks = field(default_factory=PlanChecks)
    shown_lately: ShownLately = field(default_factory=ShownLately)
    """Of the lists that refresh themselves, by sign-in."""
    closing: Event = field(default_factory=Event)
    """Set when the server ends: streams that stay open end then."""

    @property
    def desk(self) -> Desk:
        """Where staff act."""
        return self.app.desk

    @property
    def database(self) -> Database:
        """Where everything is kept; give each request a transaction of its own."""
        return self.app.database

    @property
    def clock(self) -> Clock:
        """The one clock."""
        return self.app.clock

    @property
    def web(self) -> WebSection:
        """How the pages are served."""
        return self.app.config.web

    def keep_up(self) -> None:
        """Take up what was changed of the settings, here or in another process."""
        self.app.keep_up()
        self.pages.know(practice=self.app.config.practice)

    def make_ready(self) -> None:
        """Read names, templates and plans, and make plans' pages, before somebody waits for them; takes seconds."""
        self.read_names()
        self.pages.read_all(closing=self.closing)
        self.plan_pages.make_all(self.database, self.desk, closing=self.closing)

    def keep_ready(self) -> None:
        """Do that, and then read names again and again until the server closes: those purged go, and new ones come."""
        self.make_ready()
        while not self.closing.wait(_NAMES_EVERY_SECONDS):
            self.read_names()

    def read_names(self) -> None:
        """Read the names that were not read yet, or all of them when some changed; others are let by in between."""
        is_more = True
        try:
            while is_more and not self.closing.wait(_PAUSE_SECONDS):
                with self.database.reading() as session:
                    is_more = read_ahead(session, self.desk.practice_id)
        except (ReminderError, SQLAlchemyError) as error:  # whoever searches reads them then
            _LOG.warning("names_not_read", extra={"error": type(error).__name__})


def site_of(request: Request) -> Site:
    """Return the site that a request came to."""
    site: Site = request.app.state.site
    return site


async def _here(request: Request) -> Site:
    """Return the same; it is not worth a thread."""
    return site_of(request)


TheSite = Annotated[Site, Depends(_here)]
