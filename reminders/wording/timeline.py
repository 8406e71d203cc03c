"""A course as a picture: one line, a column for each day that has messages, a numbered dot for each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from markupsafe import Markup, escape

_COLUMN = 62
_TOP = 26
_HOUR = 5.2
_FIRST_HOUR, _LAST_HOUR = 6, 23
_RADIUS = 9
_BOTTOM = 18


@dataclass(frozen=True, kw_only=True)
class Dot:
    """One message on the picture."""

    at: datetime
    """By the patient's wall clock."""
    day: int
    number: int


def draw_timeline(dots: Sequence[Dot], *, label: str, day_label: Callable[[int], str]) -> Markup:
    """Return an SVG: days from left to right, hours from top to bottom; numbers refer to the steps in words.

    The picture scales with its box. Without dots it is empty.
    """
    columns = [(day, list(found)) for day, found in groupby(sorted(dots, key=lambda d: (d.day, d.at)), lambda d: d.day)]
    if not columns:
        return Markup("")
    width, height = _COLUMN * len(columns) + 44, _TOP + _HOUR * (_LAST_HOUR - _FIRST_HOUR) + _BOTTOM
    box = f'viewBox="0 0 {width} {height:.0f}" role="img" aria-label="{escape(label)}"'
    parts = [f'<svg class="timeline" {box} xmlns="http://www.w3.org/2000/svg">']
    for hour in (8, 12, 16, 20):
        y = _y(hour, 0)
        parts.append(f'<line class="hour" x1="40" y1="{y:.1f}" x2="{width}" y2="{y:.1f}"/>')
        parts.append(f'<text class="hour" x="34" y="{y + 3:.1f}" text-anchor="end">{hour}:00</text>')
    for index, (day, found) in enumerate(columns):
        parts += _column(44 + index * _COLUMN, day_label(day), found)
    parts.append("</svg>")
    return Markup("".join(parts))  # noqa: S704  every value in it is a number, or was escaped above


def _column(left: float, label: str, dots: Sequence[Dot]) -> list[str]:
    middle = left + _COLUMN / 2
    parts = [
        f'<text class="day" x="{middle:.0f}" y="14" text-anchor="middle">{escape(label)}</text>',
        f'<line class="day" x1="{middle:.0f}" y1="{_TOP - 4}" x2="{middle:.0f}" y2="{_y(_LAST_HOUR, 0):.0f}"/>',
    ]
    last_y = float("-inf")
    for dot in dots:
        y = max(_y(dot.at.hour, dot.at.minute), last_y + 2 * _RADIUS + 1)
        last_y = y
        parts.append(f'<circle cx="{middle:.0f}" cy="{y:.1f}" r="{_RADIUS}"/>')
        parts.append(f'<text class="dot" x="{middle:.0f}" y="{y + 3.5:.1f}" text-anchor="middle">{dot.number}</text>')
    return parts


def _y(hour: int, minute: int) -> float:
    within = min(max(hour + minute / 60, _FIRST_HOUR), _LAST_HOUR)
    return _TOP + (within - _FIRST_HOUR) * _HOUR
