"""What other programs use: JSON under `/api/v1`, with keys in place of sign-ins; apart from the pages in all things."""

from __future__ import annotations

from datetime import timedelta
from functools import cache, cached_property, partial
from typing import Any

from fastapi import FastAPI
from fastapi.responses import JSONResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from reminders.web.api import concerns, consents, enrollments, messages, replies
from reminders.web.api.call import Api
from reminders.web.api.described import description
from reminders.web.api.problems import add_problems, broken
from reminders.web.limits import Limiter
from reminders.web.refusals import LastRefusal
from reminders.web.site import Site

PREFIX = "/api/v1"
DESCRIPTION = f"{PREFIX}/openapi.json"
"""Open to anybody: it holds no data, and says nothing that the program's own text does not."""
ROUTERS = tuple(each.router for each in (enrollments, messages, replies, concerns, consents))


class ApiDoor:
    """Leads calls to the interface past what is made for browsers: forms, pages, and names of hosts.

    A program that shows a key needs no shield from other sites: no browser adds a key by itself.
    """

    def __init__(self, app: ASGIApp, *, site: Site) -> None:
        """Wrap the pages `app`."""
        self._pages = app
        self._site = site

    @cached_property
    def _api(self) -> ASGIApp:
        """Made at the first call: most practices have no other program."""
        return api_app(self._site)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        is_call = scope["type"] == "http" and scope["path"].startswith("/api/")
        await (self._api if is_call else self._pages)(scope, receive, send)


def api_app(site: Site) -> FastAPI:
    """Return the application that answers calls; every answer is JSON, a refusal too."""
    made = FastAPI(docs_url=None, redoc_url=None, openapi_url=None, redirect_slashes=False)
    made.state.site = site
    most = Limiter(most=site.web.api_calls_per_minute, within=timedelta(minutes=1))
    made.state.api = Api(site=site, calls=most)
    add_problems(made)
    made.add_middleware(partial(LastRefusal, answer=broken))
    for router in ROUTERS:
        made.include_router(router, prefix=PREFIX)
    made.state.described = described

    def describe() -> Response:
        return JSONResponse(described())

    made.add_api_route(DESCRIPTION, describe, methods=["GET"], include_in_schema=False)
    return made


@cache
def described() -> dict[str, Any]:
    """Return the description of the interface, which is every practice's."""
    bare = FastAPI()
    for router in ROUTERS:
        bare.include_router(router, prefix=PREFIX)
    return description(bare)
