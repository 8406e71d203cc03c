"""Adds to every answer what a browser must not do with it, and takes in no more than a form's worth.

Content Security Policy Level 3 (W3C), RFC 9111 section 5.2.2.5 (no-store), Fetch Metadata (W3C).
"""

from __future__ import annotations

from starlette.datastructures import MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data:",
        "font-src 'self'",
        "connect-src 'self'",
        "manifest-src 'self'",
        "worker-src 'self'",
        "form-action 'self'",
        "frame-ancestors 'none'",
        "base-uri 'none'",
    )
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
}
MOST_BYTES = 1_000_000


class GuardHeaders:
    """Adds the headers; what does not say otherwise is kept by no cache."""

    def __init__(self, app: ASGIApp, *, encrypted: bool) -> None:
        """Wrap `app`; `encrypted` tells browsers to come over TLS from now on."""
        self._app = app
        self._headers = dict(HEADERS)
        if encrypted:
            self._headers["Strict-Transport-Security"] = "max-age=31536000"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    headers.setdefault(name, value)
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        await self._app(scope, receive, send_guarded)


class MostBytes:
    """Refuses a body that is longer than any form or call of this program."""

    def __init__(self, app: ASGIApp, *, most: int = MOST_BYTES) -> None:
        """Wrap `app`; a body may have `most` bytes."""
        self._app = app
        self._most = most

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        announced = dict(scope["headers"]).get(b"content-length", b"0")
        if not announced.isdigit() or int(announced) > self._most:
            await PlainTextResponse("This is more than is taken in here.\n", 413)(scope, receive, send)
            return
        taken = 0

        async def receive_counted() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > self._most:
                return {"type": "http.disconnect"}
            return message

        await self._app(scope, receive_counted, send)
