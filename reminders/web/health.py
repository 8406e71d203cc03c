"""Tells who restarts the server, or routes to it, how it stands: /healthz (is it alive), /readyz (can it work now)."""

from __future__ import annotations

from fastapi import APIRouter, FastAPI
from starlette.responses import PlainTextResponse, Response

from reminders.delivery.monitor import Probe
from reminders.delivery.watch import database_trouble
from reminders.web.site import TheSite

router = APIRouter()


def add_probes(app: FastAPI) -> None:
    """Add both."""
    app.include_router(router, include_in_schema=False)


@router.api_route("/healthz", methods=["GET", "HEAD"])
def alive(site: TheSite) -> Response:
    """Say whether this process lives and, where it dispatches, goes round; 503: start it anew."""
    return _told(site.app.watch.alive() if site.dispatches else Probe())


@router.api_route("/readyz", methods=["GET", "HEAD"])
def ready(site: TheSite) -> Response:
    """Say whether this process can work now; 503: send nobody here."""
    stopping = site.closing.is_set()
    if site.dispatches:
        return _told(site.app.watch.ready(stopping=stopping))
    trouble = ("it is being stopped",) if stopping else ()
    return _told(Probe(trouble=(*trouble, *database_trouble(site.database))))


def _told(probe: Probe) -> Response:
    return PlainTextResponse(probe.text, probe.status)
