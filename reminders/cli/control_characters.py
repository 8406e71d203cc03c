"""Knows what a terminal would obey: what somebody wrote stays words, and moves no cursor."""

from __future__ import annotations

import re

_ORDERS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f]")  # ECMA-48, but for a tab and the end of a line


def without_orders(text: str) -> str:
    """Return a text with a mark in place of each character that a terminal would obey."""
    return _ORDERS.sub("\N{REPLACEMENT CHARACTER}", text)
