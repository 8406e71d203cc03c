"""Tells open pages that something happened to the concerns: server-sent events with numbers and no persons."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from dataclasses import asdict

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response, StreamingResponse
from starlette.concurrency import run_in_threadpool

from reminders.desk.roles import Right
from reminders.records.pulse import Pulse, pulse_of
from reminders.web.site import Site, TheSite
from reminders.web.staff.here import signed_in_quietly

router = APIRouter()
_EVERY_SECONDS = 1.0
_BREATH_SECONDS = 15
"""A line at least so often, so that a proxy keeps the connection and a page knows that it is alive."""


@router.get("/staff/concerns/stream")
async def stream(request: Request, site: TheSite) -> Response:
    """Tell one page, until it goes away or its sign-in ends; when that lies idle, only that it does and the numbers."""
    who = await run_in_threadpool(signed_in_quietly, site, request.cookies)
    if who is None or not who.may(Right.SEE_REPLIES):
        raise HTTPException(403)
    return StreamingResponse(
        _events(request, site), media_type="text/event-stream", headers={"X-Accel-Buffering": "no"}
    )


async def _events(request: Request, site: Site) -> AsyncIterator[str]:
    told = ""
    quiet = 0.0
    yield "retry: 3000\n\n"
    while not site.closing.is_set() and not await request.is_disconnected():
        found = await run_in_threadpool(_look, site, request)
        if found is None:
            yield "event: ended\ndata: {}\n\n"
            return
        said = json.dumps(found)
        if said != told or quiet >= _BREATH_SECONDS:
            yield f"data: {said}\n\n"
            told, quiet = said, 0.0
        await asyncio.sleep(_EVERY_SECONDS)
        quiet += _EVERY_SECONDS


def _look(site: Site, request: Request) -> dict[str, int | bool] | None:
    who = signed_in_quietly(site, request.cookies)
    if who is None or not who.may(Right.SEE_REPLIES):
        return None
    with site.database.reading() as session:
        pulse: Pulse = pulse_of(session, site.desk.practice_id)
    return {**asdict(pulse), "idle": who.is_idle}
