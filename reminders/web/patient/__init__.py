"""The pages that patients come to by a link of their own; nobody signs in."""

from __future__ import annotations

from fastapi import FastAPI

from reminders.web.patient import course, ending_mails, opening, wishes
from reminders.web.patient.here import Gone, NotOpen, gone

ROUTERS = tuple(each.router for each in (opening, course, wishes, ending_mails))


def add_pages(app: FastAPI) -> None:
    """Add every page of patients."""
    app.add_exception_handler(Gone, gone)
    app.add_exception_handler(NotOpen, opening.open_first)
    for router in ROUTERS:
        app.include_router(router, include_in_schema=False)
