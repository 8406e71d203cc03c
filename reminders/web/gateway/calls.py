"""Answers a gateway's calls: "we have it" only after the commit, and "offer it again" whenever that failed."""

from __future__ import annotations

import logging
from collections.abc import Callable, Coroutine
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from fastapi.routing import APIRoute
from sqlalchemy.exc import SQLAlchemyError
from starlette.requests import ClientDisconnect

from reminders.config_hooks import RECEIPTS_PATH, REPLIES_PATH
from reminders.delivery.hook_calls import HookCalls
from reminders.delivery.hooks import HookCall, NotBelieved, NotReadable
from reminders.errors import NotFound
from reminders.web.site import Site, TheSite

MOST_BYTES = 500_000
"""Of a body; a list of a thousand receipts has some hundred thousand."""
_AGAIN_AFTER_SECONDS = "10"
_LOG = logging.getLogger(__name__)


class _TooLong(Exception):
    """The body has more bytes than a call."""


class _PlainRoute(APIRoute):
    """Answers by a status alone: whoever is not believed learns nothing, and a gateway reads no pages.

    Whatever else went wrong, the call was not stored and is worth another try: gateways offer again what was answered
    by 503, and many drop what was answered by another code.
    """

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        answer = super().get_route_handler()

        async def answer_plainly(request: Request) -> Response:
            try:
                return await answer(request)
            except NotFound:
                return Response(status_code=404)
            except NotBelieved as error:
                _LOG.warning("gateway_call_not_believed", extra={"route": self.path, "reason": str(error)})
                return Response(status_code=403)
            except (NotReadable, ClientDisconnect):
                return Response(status_code=400)
            except _TooLong:
                return Response(status_code=413)
            except SQLAlchemyError as error:
                _LOG.error("gateway_call_put_off", extra={"route": self.path, "error": type(error).__name__})
            except Exception:  # noqa: BLE001  one call may fail, and the next may not
                _LOG.exception("gateway_call_failed", extra={"route": self.path})
            return Response(status_code=503, headers={"Retry-After": _AGAIN_AFTER_SECONDS})

        return answer_plainly


router = APIRouter(route_class=_PlainRoute)


async def _read(request: Request) -> HookCall:
    """Return a request as a value; its address is the socket's, or what a proxy that is trusted says."""
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > MOST_BYTES:
            raise _TooLong
    return HookCall(
        headers=dict(request.headers),
        query=dict(request.query_params),
        body=body,
        client=request.client.host if request.client else "",
    )


Call = Annotated[HookCall, Depends(_read)]


@router.api_route(REPLIES_PATH, methods=["GET", "POST"])
def reply(site: TheSite, call: Call) -> Response:
    """Take in what a patient wrote."""
    _hooks(site).take_reply(call)
    return _have_it(site)


@router.api_route(RECEIPTS_PATH, methods=["GET", "POST"])
def receipt(site: TheSite, call: Call) -> Response:
    """Take in what became of a message of ours."""
    _hooks(site).take_receipt(call)
    return _have_it(site)


def _hooks(site: Site) -> HookCalls:
    hooks = site.app.hook_calls
    if hooks is None:
        raise NotFound("no hook of a gateway is configured")
    return hooks


def _have_it(site: Site) -> Response:
    http = site.app.config.delivery.http
    words = http.hook_answer if http is not None else None
    if words is None or not words.body:
        return Response(status_code=200)
    return Response(words.body, media_type=words.media_type)
