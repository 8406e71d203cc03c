"""Ends the e-mails to an address, by the link that each of them holds (RFC 8058)."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from reminders.desk.consent import unsubscribe
from reminders.records.receipts import message_row
from reminders.web.patient.here import show, wanted_language
from reminders.web.site import Site, TheSite
from reminders.wording.links import UNSUBSCRIBE_PATH, unsubscribed_message

router = APIRouter()


@router.get(UNSUBSCRIBE_PATH + "{token}")
def ask(site: TheSite, request: Request, token: str) -> Response:
    """Ask whether the e-mails shall end: what only looks at a link, a mail program say, must not end them."""
    return _show(site, request, token, state="asked")


@router.post(UNSUBSCRIBE_PATH + "{token}")
def end(site: TheSite, request: Request, token: str) -> Response:
    """End them, for good: from the page, or by one click in a mail program, which sends no cookie and follows nothing.

    Whoever holds the link may do it, so no sign of a form of ours is asked for (RFC 8058 section 3.2). The body is not
    read.
    """
    with site.database.writing() as session:
        ended = unsubscribe(session, site.desk, token, key=site.app.link_key)
    return _show(site, request, token, state="ended" if ended else "unknown")


def _show(site: Site, request: Request, token: str, *, state: str) -> Response:
    """Return the page in the language of the mail that held the link; of an unknown one, in the browser's."""
    message_id = unsubscribed_message(site.app.link_key, token)
    with site.database.reading() as session:
        message = message_row(session, message_id) if message_id is not None else None
    if message is None:
        return show(site, "ending_mails.html", wanted_language(site, request), status=404, state="unknown")
    status = 404 if state == "unknown" else 200
    return show(site, "ending_mails.html", wanted_language(site, request, message.language), status=status, state=state)
