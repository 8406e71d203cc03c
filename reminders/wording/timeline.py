"""A course as a picture: one line, a column for each day that has messages, a numbered dot for each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from markupsafe import Markup, escape

from reminders.wording.languages import Direction

_COLUMN = 62
_TOP = 26
_HOUR = 8.0
_FIRST_HOUR, _LAST_HOUR = 6, 23
_RADIUS = 9
_APART = 2 * _RADIUS + 1
_BOTTOM = 18


@dataclass(frozen=True, kw_only=True)
class Dot:
    """One message on the picture."""

    at: datetime
    """By the patient's wall clock."""
    day: int
    number: int


def draw_timeline(
    dots: Sequence[Dot], *, label: str, day_label: Callable[[int], str], direction: Direction = "ltr"
) -> Markup:
    """Return an SVG: days in the direction of reading, hours from top to bottom; numbers refer to the steps in words.

    The picture scales with its box. Without dots it is empty.
    """
    columns = [(day, list(found)) for day, found in groupby(sorted(dots, key=lambda d: (d.day, d.at)), lambda d: d.day)]
    if not columns:
        return Markup("")
    places = [_places(found) for _, found in columns]
    lowest = max(ys[-1] for ys in places)
    width, height = _COLUMN * len(columns) + 44, max(_y(_LAST_HOUR, 0), lowest) + _BOTTOM
    # Text in a picture keeps one direction, so that "end" is the same side for every reader.
    box = f'viewBox="0 0 {width} {height:.0f}" direction="ltr" role="img" aria-label="{escape(label)}"'
    mirrored = direction == "rtl"
    hours, start, edge, anchor = (width - 34, width - 40, 0, "start") if mirrored else (34, 40, width, "end")
    parts = [f'<svg class="timeline" {box} xmlns="http://www.w3.org/2000/svg">']
    for hour in (8, 12, 16, 20):
        y = _y(hour, 0)
        parts.append(f'<line class="hour" x1="{start}" y1="{y:.1f}" x2="{edge}" y2="{y:.1f}"/>')
        parts.append(f'<text class="hour" x="{hours}" y="{y + 3:.1f}" text-anchor="{anchor}">{hour}:00</text>')
    for index, ((day, found), ys) in enumerate(zip(columns, places, strict=True)):
        middle = 44 + index * _COLUMN + _COLUMN / 2
        parts += _column(width - middle if mirrored else middle, day_label(day), [*zip(found, ys, strict=True)])
    parts.append("</svg>")
    return Markup("".join(parts))  # noqa: S704  every value in it is a number, or was escaped above


def _places(dots: Sequence[Dot]) -> list[float]:
    """Return how far down each dot stands: at its hour, apart from the next, and moved up where the day ends."""
    ys: list[float] = []
    for dot in dots:
        ys.append(max([_y(dot.at.hour, dot.at.minute), *(last + _APART for last in ys[-1:])]))
    below = _y(_LAST_HOUR, 0)
    for at in range(len(ys) - 1, -1, -1):
        ys[at] = min(ys[at], below)
        below = ys[at] - _APART
    return [y + max(0.0, _TOP - ys[0]) for y in ys]


def _column(middle: float, label: str, dots: Sequence[tuple[Dot, float]]) -> list[str]:
    parts = [
        f'<text class="day" x="{middle:.0f}" y="14" text-anchor="middle">{escape(label)}</text>',
        f'<line class="day" x1="{middle:.0f}" y1="{_TOP - 4}" x2="{middle:.0f}" y2="{_y(_LAST_HOUR, 0):.0f}"/>',
    ]
    for dot, y in dots:
        parts.append(f'<circle cx="{middle:.0f}" cy="{y:.1f}" r="{_RADIUS}"/>')
        parts.append(f'<text class="dot" x="{middle:.0f}" y="{y + 3.5:.1f}" text-anchor="middle">{dot.number}</text>')
    return parts


def _y(hour: int, minute: int) -> float:
    within = min(max(hour + minute / 60, _FIRST_HOUR), _LAST_HOUR)
    return _TOP + (within - _FIRST_HOUR) * _HOUR
