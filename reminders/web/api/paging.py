"""Knows how a long list is cut into pages: an opaque cursor for each, and the address of the next one.

A cursor names the last row that was looked at, so rows that come or go meanwhile shift nothing.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Annotated

from fastapi import Query, Request
from starlette.datastructures import QueryParams

from reminders.records.columns import LARGEST_NUMBER
from reminders.records.finding import Place
from reminders.web.api.problems import in_query, invalid

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_PLACE = re.compile(r"m(-?\d{1,18})\.(\d{1,19})")
_NUMBER = re.compile(r"n(\d{1,19})")

Cursor = Annotated[str | None, Query(max_length=120, description="From `next` of the page before, as it stands there.")]
Limit = Annotated[int, Query(ge=1, le=200, description="How many a page holds at most.")]


def place_at(cursor: str | None) -> Place | None:
    """Return how far a list of messages was read; None from its beginning."""
    if cursor is None:
        return None
    found = _PLACE.fullmatch(_opened(cursor))
    if found is None or int(found[2]) > LARGEST_NUMBER:
        raise _no_cursor()
    try:
        return Place(send_at=_EPOCH + timedelta(microseconds=int(found[1])), id=int(found[2]))
    except OverflowError:
        raise _no_cursor() from None


def number_at(cursor: str | None) -> int:
    """Return how far a list by number was read; 0 from its beginning."""
    if cursor is None:
        return 0
    found = _NUMBER.fullmatch(_opened(cursor))
    if found is None or int(found[1]) > LARGEST_NUMBER:
        raise _no_cursor()
    return int(found[1])


def cursor_of(place: Place | int) -> str:
    """Return the cursor of a place, or of a number."""
    if isinstance(place, int):
        return _closed(f"n{place}")
    return _closed(f"m{(place.send_at - _EPOCH) // timedelta(microseconds=1)}.{place.id}")


def next_page(request: Request, place: Place | int | None) -> str | None:
    """Return the address of the next page, with all that this one was asked by; None when this is the last."""
    if place is None:
        return None
    asked = [(name, value) for name, value in request.query_params.multi_items() if name != "cursor"]
    return f"{request.url.path}?{QueryParams([*asked, ('cursor', cursor_of(place))])}"


def link_to(page: str | None) -> Mapping[str, str]:
    """Return the header that leads to the next page (RFC 8288)."""
    return {"Link": f'<{page}>; rel="next"'} if page else {}


def _closed(text: str) -> str:
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


def _opened(cursor: str) -> str:
    try:
        return base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)).decode("ascii")
    except ValueError:
        raise _no_cursor() from None


def _no_cursor() -> Exception:
    return invalid(in_query("this is no cursor of this list; begin without one", "cursor"))
