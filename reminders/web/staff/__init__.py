"""The pages that staff work in, one module per thing a person does."""

from __future__ import annotations

from fastapi import FastAPI

from reminders.web.staff import (
    account,
    audit,
    chart_records,
    checkout,
    concerns,
    consents,
    courses,
    plans,
    practice_settings,
    programs,
    settings,
    signing_in,
    stream,
    today,
    waiting,
)
from reminders.web.staff.here import ElsewhereFirst, RanOut, elsewhere_first, ran_out

ROUTERS = tuple(
    each.router
    for each in (
        signing_in,
        account,
        stream,
        concerns,
        checkout,
        courses,
        chart_records,
        consents,
        today,
        waiting,
        plans,
        settings,
        programs,
        audit,
        practice_settings,
    )
)
"""Earlier ones come first where two would answer."""


def add_pages(app: FastAPI) -> None:
    """Add every page of staff, under `/staff/`."""
    app.add_exception_handler(ElsewhereFirst, elsewhere_first)
    app.add_exception_handler(RanOut, ran_out)
    for router in ROUTERS:
        app.include_router(router, include_in_schema=False)
