"""Knows how a form arrives: its fields as texts, from a page of our own and no other site's."""

from __future__ import annotations

from collections.abc import Sequence

from fastapi import HTTPException, Request
from fastapi.responses import RedirectResponse
from starlette.datastructures import FormData

from reminders.records.columns import LARGEST_NUMBER

_MOST_DIGITS = len(str(LARGEST_NUMBER)) - 1


class Form:
    """The fields of a form that was sent, each a text."""

    def __init__(self, fields: Sequence[tuple[str, str]]) -> None:
        """Hold names and values in their order."""
        self.fields = tuple(fields)

    def text(self, name: str) -> str:
        """Return the last value of a field, without spaces around it; empty when it was not sent."""
        return next((value.strip() for key, value in reversed(self.fields) if key == name), "")

    def all(self, name: str) -> tuple[str, ...]:
        """Return every value of a field."""
        return tuple(value for key, value in self.fields if key == name)

    def under(self, prefix: str) -> dict[str, str]:
        """Return the fields whose names begin so, without that beginning; empty values are left out."""
        return {
            key.removeprefix(prefix): value.strip()
            for key, value in self.fields
            if key.startswith(prefix) and value.strip()
        }

    def __contains__(self, name: str) -> bool:
        return any(key == name for key, _ in self.fields)


def row_number(text: str) -> int | None:
    """Return the number of a row that a field or an address holds; None for what no row can have."""
    return int(text) if text.isascii() and text.isdecimal() and len(text) <= _MOST_DIGITS else None


async def form_of(request: Request) -> Form:
    """Read the form of a request; files are no part of any form here."""
    if request.method != "POST":
        return Form(())
    data: FormData = await request.form(max_files=0, max_fields=300)
    return Form([(name, value) for name, value in data.multi_items() if isinstance(value, str)])


def go(to: str) -> RedirectResponse:
    """Return the way to another page after something was done."""
    return RedirectResponse(to, 303)


def is_from_here(request: Request) -> bool:
    """Say whether a browser vouches that a page of this very site made the request; one that says nothing does not."""
    return request.headers.get("sec-fetch-site") == "same-origin"


def refuse_other_sites(request: Request) -> None:
    """Fetch Metadata Request Headers (W3C), section 2.3: a browser says where a request comes from."""
    if request.method == "POST" and request.headers.get("sec-fetch-site", "same-origin") not in {"same-origin", "none"}:
        raise HTTPException(403)
