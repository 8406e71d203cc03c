"""Ends the e-mails to an address, by the link that each of them holds (RFC 8058)."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import Response

from reminders.desk.consent import unsubscribe
from reminders.web.site import TheSite
from reminders.wording.links import UNSUBSCRIBE_PATH, unsubscribed_message

router = APIRouter()
_PAGE = "patient/ending_mails.html"


@router.get(UNSUBSCRIBE_PATH + "{token}")
def ask(site: TheSite, token: str) -> Response:
    """Ask whether the e-mails shall end: what only looks at a link, a mail program say, must not end them."""
    known = unsubscribed_message(site.app.link_key, token) is not None
    return site.pages.show(_PAGE, status=200 if known else 404, state="asked" if known else "unknown")


@router.post(UNSUBSCRIBE_PATH + "{token}")
def end(site: TheSite, token: str) -> Response:
    """End them, for good: from the page, or by one click in a mail program, which sends no cookie and follows nothing.

    Whoever holds the link may do it, so no sign of a form of ours is asked for (RFC 8058 section 3.2). The body is not
    read.
    """
    with site.database.writing() as session:
        ended = unsubscribe(session, site.desk, token, key=site.app.link_key)
    return site.pages.show(_PAGE, status=200 if ended else 404, state="ended" if ended else "unknown")
