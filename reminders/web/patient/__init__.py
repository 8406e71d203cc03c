"""The pages that patients come to by a link of their own; nobody signs in."""

from __future__ import annotations

from fastapi import FastAPI

from reminders.web.patient import ending_mails


def add_pages(app: FastAPI) -> None:
    """Add every page of patients."""
    app.include_router(ending_mails.router, include_in_schema=False)
