"""Knows how a page says that something can't be done: what, what to do instead, and nothing about any patient."""

from __future__ import annotations

import logging
from collections.abc import Callable

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import Response
from sqlalchemy.exc import DBAPIError
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from reminders.errors import InputError, NotFound, PlanError, ReminderError, StateError
from reminders.web.patient.here import is_patients, refuse_patient
from reminders.web.site import site_of
from reminders.words import gettext, marked, retold

_LOG = logging.getLogger(__name__)
_TITLES = {
    400: marked("That can't be read"),
    401: marked("Please sign in"),
    403: marked("This is not open to you"),
    404: marked("There is nothing here"),
    405: marked("That is not done here"),
    409: marked("That changed meanwhile"),
    413: marked("That is too long"),
    429: marked("That was too often"),
    500: marked("Something broke"),
    503: marked("The database is busy"),
}
_ADVICE = {
    400: marked("Go back and look at the form again."),
    403: marked("Ask whoever runs this program here for the role that it needs."),
    404: marked("It may have been moved, ended or mistyped."),
    405: marked("Go back and use the buttons of the page."),
    429: marked("Wait some minutes, then try again."),
    500: marked("Nothing was changed by this page. Try again; if it stays, tell whoever runs this program here."),
    503: marked("Nothing was changed. Try again in a moment."),
}


def refuse(request: Request, status: int, *lines: str) -> Response:
    """Return the page that says so; to a patient in their language, and with the numbers to call."""
    if is_patients(request):
        return refuse_patient(request, status)
    title = _TITLES.get(status, marked("That did not work"))
    told = lines or tuple(filter(None, [_ADVICE.get(status)]))
    return site_of(request).pages.show("refusal.html", status=status, title=title, lines=tuple(map(retold, told)))


def add_refusals(app: FastAPI) -> None:
    """Let every error of the program become a page."""
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _unreadable)
    app.add_exception_handler(ReminderError, _ours)
    app.add_exception_handler(DBAPIError, _database)


class LastRefusal:
    """Answers what nothing else caught; log lines name the error's type alone, as its words may hold a patient's."""

    def __init__(self, app: ASGIApp, *, answer: Callable[[Scope], Response] | None = None) -> None:
        """Wrap `app`; `answer` tells that something broke, a page if it is not given."""
        self._app = app
        self._answer = answer or _broken

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        started = False

        async def send_noted(message: Message) -> None:
            nonlocal started
            started = started or message["type"] == "http.response.start"
            await send(message)

        try:
            await self._app(scope, receive, send_noted)
        except Exception:  # noqa: BLE001  the outermost loop: one request may fail, the process lives on
            _LOG.exception("request_failed", extra={"route": _route(scope)})
            if started:
                return
            await self._answer(scope)(scope, receive, send)


def _broken(scope: Scope) -> Response:
    return refuse(Request(scope), 500) if "app" in scope else PlainTextResponse(_TITLES[500], 500)


def _route(scope: Scope) -> str:
    """Return the pattern of the address, as the address itself may tell of a patient."""
    return str(getattr(scope.get("route"), "path", "unknown"))


def _http(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    answer = refuse(request, status)
    if isinstance(error, HTTPException) and error.headers:
        answer.headers.update(error.headers)
    return answer


def _unreadable(request: Request, error: Exception) -> Response:
    found = error.errors() if isinstance(error, RequestValidationError) else ()
    return refuse(request, 404 if any(each["loc"][0] == "path" for each in found) else 400)


def _ours(request: Request, error: Exception) -> Response:
    if isinstance(error, NotFound):
        return refuse(request, 404)
    if isinstance(error, InputError):
        return refuse(request, 400, *error.problems)
    if isinstance(error, StateError):
        return refuse(request, 409, str(error))
    if isinstance(error, PlanError):
        return refuse(request, 409, gettext("A procedure's folder has faults; `reminders check` names them."))
    _LOG.error("request_refused", extra={"error": type(error).__name__, "route": _route(request.scope)})
    return refuse(request, 500)


def _database(request: Request, error: Exception) -> Response:
    _LOG.error("database_refused", extra={"error": type(error).__name__, "route": _route(request.scope)})
    return refuse(request, 503)
