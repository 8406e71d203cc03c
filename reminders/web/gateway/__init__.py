"""What an SMS gateway calls; it holds no session, and its calls show by themselves whether they are to be believed."""

from __future__ import annotations

from fastapi import FastAPI

from reminders.web.gateway import calls


def add_calls(app: FastAPI) -> None:
    """Add everything that a gateway calls."""
    app.include_router(calls.router, include_in_schema=False)
