"""Builds the web application: who may call it how, and which pages it has."""

from __future__ import annotations

from urllib.parse import urlsplit

from fastapi import FastAPI
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.responses import RedirectResponse, Response
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

from reminders.assembly import App
from reminders.web import gateway, health, patient, staff
from reminders.web.api import ApiDoor
from reminders.web.headers import GuardHeaders, MostBytes
from reminders.web.keeping_up import KeepUp
from reminders.web.pages import STATIC, Pages
from reminders.web.refusals import LastRefusal, add_refusals
from reminders.web.site import Site

_LOCAL_NAMES = ("localhost", "127.0.0.1", "[::1]")


def web_app(app: App, *, dispatches: bool = False) -> FastAPI:
    """Return the application that serves the pages of `app`'s practice; opens nothing yet.

    `dispatches` says that its process sends what is due as well. ConfigError when a secret of the gateway's is missing.
    """
    web = app.config.web
    _ = app.hook_calls  # a secret that is missing is found now, and not at the first reply
    made = FastAPI(title="reminders", docs_url=None, redoc_url=None, openapi_url=None)
    site = Site(
        app=app,
        pages=Pages(practice=app.config.practice, region=app.config.practice.region, demo=app.config.demo),
        dispatches=dispatches,
    )
    made.state.site = site
    add_refusals(made)
    # The last one added is the outermost.
    made.add_middleware(LastRefusal)
    made.add_middleware(MostBytes)
    # Another site's name may be made to lead to this computer (DNS rebinding): only our own names are answered.
    made.add_middleware(
        TrustedHostMiddleware, allowed_hosts=[*_own_names(web.address), *_LOCAL_NAMES], www_redirect=False
    )
    made.add_middleware(ApiDoor, site=site)
    made.add_middleware(KeepUp, site=site)
    made.add_middleware(GuardHeaders, encrypted=web.is_encrypted)
    made.mount("/static", _KeptFiles(directory=STATIC), name="static")
    made.add_api_route("/", _home, methods=["GET"], include_in_schema=False)
    staff.add_pages(made)
    patient.add_pages(made)
    gateway.add_calls(made)
    health.add_probes(made)
    return made


class _KeptFiles(StaticFiles):
    """Static files, which browsers may keep: their address changes with their content."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        answer = await super().get_response(path, scope)
        answer.headers["Cache-Control"] = "public, max-age=31536000, immutable"
        return answer


def _home() -> Response:
    return RedirectResponse("/staff/", 303)


def _own_names(address: str) -> tuple[str, ...]:
    name = urlsplit(address).hostname
    return (name,) if name else ()
