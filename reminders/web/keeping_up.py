"""Takes up changed settings before each request, so that every process of the pages shows and does the same."""

from __future__ import annotations

import logging

from sqlalchemy.exc import SQLAlchemyError
from starlette.concurrency import run_in_threadpool
from starlette.types import ASGIApp, Receive, Scope, Send

from reminders.errors import ReminderError
from reminders.web.site import Site

_LOG = logging.getLogger(__name__)
_KNOW_NONE = ("/static/", "/healthz", "/readyz", "/metrics")
"""Addresses that follow from no setting; the probes answer whether the database does or not."""


class KeepUp:
    """Asks for the settings' version; what can't be read now leaves them as they were."""

    def __init__(self, app: ASGIApp, *, site: Site) -> None:
        """Wrap `app`."""
        self._app = app
        self._site = site

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "http" and not scope["path"].startswith(_KNOW_NONE):
            try:
                await run_in_threadpool(self._site.keep_up)
            except (ReminderError, SQLAlchemyError) as error:
                _LOG.warning("settings_not_read", extra={"error": type(error).__name__})
        await self._app(scope, receive, send)
