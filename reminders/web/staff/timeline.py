"""Draws a course as a picture: days as the reader reads, hours from top to bottom, a shape for what happened."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from markupsafe import Markup, escape

from reminders.wording.languages import direction_of
from reminders.words import language, on_day

_COLUMN, _LEFT, _TOP, _BOTTOM, _HOUR = 56, 46, 30, 10, 8.0
_FIRST_HOUR, _LAST_HOUR = 6, 24
_APART = 17
_ASIDE = 11
_NO_MESSAGES = frozenset({"reply", "concern", "consent", "withdrawn", "visit"})
_SHAPES = {
    "sent": '<circle class="sent" cx="{x}" cy="{y}" r="7"/>',
    "waits": '<circle class="waits" cx="{x}" cy="{y}" r="6.5"/>',
    "desk": '<rect class="sent" x="{x0}" y="{y0}" width="13" height="13" rx="2"/>',
    "not": '<path class="not" d="M{x0} {y0}l13 13m0-13l-13 13"/>',
    "trouble": '<path class="trouble" d="M{x} {y0}l8 14h-16z"/>',
    "reply": '<path class="reply" d="M{x} {y0}l8 7-8 7-8-7z"/>',
    "concern": '<path class="concern" d="M{x} {y0}l6.500 3.500v7l-6.500 3.500-6.500-3.500v-7z"/>',
    "consent": '<path class="consent" d="M{x0} {y}l5 5.500 8.500-11"/>',
    "withdrawn": '<path class="not" d="M{x0} {y}a6.500 6.500 0 1 0 13 0a6.500 6.500 0 1 0-13 0l13 0"/>',
    "visit": '<path class="visit" d="M{x0} {y1}v-15l12 4.500-12 4.500"/>',
}


@dataclass(frozen=True, kw_only=True)
class Mark:
    """Something on the picture."""

    at: datetime
    """By the patient's wall clock."""
    shape: str
    says: str
    moved_from: datetime | None = None
    """When it was planned at first, if it was moved."""


def draw(marks: Sequence[Mark], *, day_0: date, now: datetime | None, label: str) -> Markup:
    """Return the picture, in the direction of the staff's language; empty without marks.

    Without `now` it is of no patient: no day of it has a weekday, and none is today.
    """
    days = sorted({each.at.date() for each in marks})
    if not days:
        return Markup("")
    placed = {day: _placed([each for each in marks if each.at.date() == day]) for day in days}
    lowest = max(each.y for day in days for each in placed[day])
    width, height = _LEFT + _COLUMN * len(days), max(_y_of(_LAST_HOUR, 0), lowest + 8) + _BOTTOM
    # Text in a picture keeps one direction, so that "end" is the same side for every reader.
    box = f'viewBox="0 0 {width} {height:.0f}" width="{width}" direction="ltr" role="img" aria-label="{escape(label)}"'
    mirrored = direction_of(language()) == "rtl"
    hours, edge, anchor = (width - _LEFT + 10, 0, "start") if mirrored else (_LEFT - 10, width, "end")
    parts = [f'<svg class="course" {box} xmlns="http://www.w3.org/2000/svg">']
    for hour in (8, 12, 16, 20):
        y = _y_of(hour, 0)
        parts.append(f'<path class="rule" d="M{hours + (-4 if mirrored else 4)} {y:.1f}H{edge}"/>')
        parts.append(f'<text x="{hours}" y="{y + 4:.1f}" text-anchor="{anchor}">{hour}:00</text>')
    for index, day in enumerate(days):
        x = _LEFT + index * _COLUMN + _COLUMN / 2
        x = width - x if mirrored else x
        if now and day == now.date():
            left, y = f"{x - _COLUMN / 2:.0f}", _y_of(now.hour, now.minute)
            parts.append(f'<rect class="today" x="{left}" y="0" width="{_COLUMN}" height="{height:.0f}"/>')
            parts.append(f'<path class="now" d="M{left} {y:.1f}h{_COLUMN}"/>')
        if now:
            parts.append(f'<text class="day" x="{x:.0f}" y="12" text-anchor="middle">{on_day(day, "EEE")}</text>')
        parts.append(f'<text x="{x:.0f}" y="25" text-anchor="middle">{(day - day_0).days}</text>')
        parts += [_drawn(each.mark, x + (-each.aside if mirrored else each.aside), each.y) for each in placed[day]]
    return Markup("".join([*parts, "</svg>"]))  # noqa: S704  numbers, and words that were escaped


@dataclass(frozen=True)
class _Placed:
    mark: Mark
    aside: int
    """From the middle of its day, the way days follow one another."""
    y: float


def _placed(marks: Sequence[Mark]) -> list[_Placed]:
    """Return the marks of a day, each far enough below the one before it.

    Messages stand on one side and all else on the other where a day has both: so either stays near its hour.
    """
    messages = [each for each in marks if each.shape not in _NO_MESSAGES]
    others = [each for each in marks if each.shape in _NO_MESSAGES]
    aside = _ASIDE if messages and others else 0
    return [*_below_one_another(messages, -aside), *_below_one_another(others, aside)]


def _below_one_another(marks: Sequence[Mark], aside: int) -> Iterator[_Placed]:
    last = float("-inf")
    for each in sorted(marks, key=lambda mark: mark.at):
        last = max(_y_of(each.at.hour, each.at.minute), last + _APART)
        yield _Placed(each, aside, last)


def _drawn(mark: Mark, x: float, y: float) -> str:
    at = {"x": x, "y": y, "x0": x - 6.5, "y0": y - 6.5, "y1": y + 7}
    shape = _SHAPES[mark.shape].format(**{name: f"{value:.1f}" for name, value in at.items()})
    return f"<g><title>{escape(mark.says)}</title>{_way(mark, x, y)}{shape}</g>"


def _way(mark: Mark, x: float, y: float) -> str:
    """Return a line from where the mark was first; from the edge of its day when that was another one."""
    if mark.moved_from is None:
        return ""
    if mark.moved_from.date() == mark.at.date():
        start = _y_of(mark.moved_from.hour, mark.moved_from.minute)
    else:
        start = _y_of(_LAST_HOUR if mark.moved_from > mark.at else _FIRST_HOUR, 0)
    return f'<path class="moved" d="M{x - 5:.1f} {start:.1f}h10M{x:.1f} {start:.1f}V{y:.1f}"/>'


def _y_of(hour: int, minute: int) -> float:
    within = min(max(hour + minute / 60, _FIRST_HOUR), _LAST_HOUR)
    return _TOP + 8 + (within - _FIRST_HOUR) * _HOUR
