"""The sheet that a patient takes home: the same texts as the messages, as plain text and as a page to print."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import lru_cache
from pathlib import Path

from jinja2 import Environment, StrictUndefined, Template
from markupsafe import Markup
from pydantic import BaseModel, ConfigDict

from reminders.wording.dates import Calendar
from reminders.wording.facts import Sender
from reminders.wording.languages import direction_of, read_language
from reminders.wording.links import qr_drawing
from reminders.wording.timeline import Dot, draw_timeline
from reminders.wording.word_files import read_words

SHEET_FILE = "sheet.toml"
_PAGE = Path(__file__).parent / "data" / "sheet.html"


class SheetWords(BaseModel):
    """`sheet.toml` of one language: the words around the texts."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    title: str
    for_patient: str
    treated_on: str
    call_us: str
    after_hours: str
    emergency: str
    now: str
    signs: str
    plan: str
    plan_note: str
    day: str
    step: str
    again: str
    by_sms: str
    by_email: str
    stop: str
    caution: str
    your_page: str
    page_code: str
    page_address: str


@dataclass(frozen=True, kw_only=True)
class SheetStep:
    """One text of one message; a text said before is only referred to."""

    number: int
    """Of the step that says this text, counted from 1."""
    text: str | None
    """None when an earlier line of the sheet says it."""
    at: datetime
    """By the patient's wall clock."""
    day: int
    """Of the course; 0 is the day of the procedure."""


@dataclass(frozen=True, kw_only=True)
class SheetPage:
    """The patient's own page, as the sheet leads to it."""

    url: str
    code: str


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """What the sheet says."""

    language: str
    first_name: str
    sender: Sender
    treated_on: date
    now: tuple[str, ...]
    """What is said at the desk, as no message can reach the patient in time."""
    signs: str
    """When to call; empty when the plan has no such text."""
    steps: tuple[SheetStep, ...]
    by_email: bool
    page: SheetPage | None = None
    """None when the practice serves no pages to patients, or nobody is enrolled yet."""


def as_text(sheet: Sheet, shared: Path, *, width: int = 78) -> str:
    """Return the sheet as plain text, wrapped at `width` characters."""
    return "\n".join(line for block in _blocks(sheet, shared) for line in _wrapped(block, width)) + "\n"


def as_html(sheet: Sheet, shared: Path) -> str:
    """Return the sheet as one HTML page without scripts or anything to fetch, made for print."""
    words, calendar = read_words(shared / sheet.language / SHEET_FILE, SheetWords), _calendar(shared / sheet.language)
    template = _page()
    return template.render(
        sheet=sheet,
        words=words,
        direction=direction_of(sheet.language),
        qr=Markup(qr_drawing(sheet.page.url)) if sheet.page else "",  # noqa: S704  drawn by the library
        days=list(_days(sheet.steps)),
        clock=calendar.clock,
        day_date=calendar.day_date,
        timeline=draw_timeline(
            [Dot(at=step.at, day=step.day, number=step.number) for step in sheet.steps],
            label=words.plan,
            day_label=lambda day: words.day.format(number=day),
            direction=direction_of(sheet.language),
        ),
    )


def _blocks(sheet: Sheet, shared: Path) -> Iterator[tuple[str, str]]:
    """Yield (indent, text) pairs."""
    words, calendar = read_words(shared / sheet.language / SHEET_FILE, SheetWords), _calendar(shared / sheet.language)
    sender = sheet.sender
    yield "", sender.practice_name
    yield "", words.title.upper()
    if sheet.first_name:
        yield "", words.for_patient.format(name=sheet.first_name)
    yield "", words.treated_on.format(date=calendar.day_date(sheet.treated_on))
    yield "", ""
    yield "", f"{words.call_us}: {sender.practice_phone}"
    if sender.after_hours_phone:
        yield "", f"{words.after_hours}: {sender.after_hours_phone}"
    yield "", f"{words.emergency}: {sender.emergency_number}"
    if sheet.page:
        yield "", ""
        yield "", f"{words.your_page}. {words.page_code}: {sheet.page.code}"
        yield "", sheet.page.url
    if sheet.now:
        yield "", ""
        yield "", f"!! {words.now}"
        yield from ((" * ", text) for text in sheet.now)
    if sheet.signs:
        yield "", ""
        yield "", words.signs.upper()
        yield from (("  ", line) for line in sheet.signs.splitlines())
    yield "", ""
    yield "", f"{words.plan.upper()}. {words.plan_note}"
    for day, steps in _days(sheet.steps):
        yield "", ""
        yield "", f"{words.day.format(number=day)}, {calendar.day_date(steps[0].at)}"
        for step in steps:
            said = words.again.format(number=step.number)
            text = f"[{step.number}] {step.text}" if step.text else said
            yield "  ", f"{calendar.clock(step.at)}  {text}"
    yield "", ""
    yield "", words.stop
    yield "", words.caution


def _wrapped(block: tuple[str, str], width: int) -> list[str]:
    indent, text = block
    deeper = " " * (len(indent) + 2)
    lines: list[str] = []
    for part in text.splitlines():
        lines += textwrap.wrap(part, width, initial_indent=deeper if lines else indent, subsequent_indent=deeper)
    return lines or [""]


def _days(steps: Sequence[SheetStep]) -> Iterator[tuple[int, list[SheetStep]]]:
    by_day: dict[int, list[SheetStep]] = {}
    for step in steps:
        by_day.setdefault(step.day, []).append(step)
    yield from sorted(by_day.items())


@lru_cache(maxsize=32)
def _calendar(folder: Path) -> Calendar:
    return Calendar(read_language(folder).cldr_locale)


@lru_cache(maxsize=1)
def _page() -> Template:
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return environment.from_string(_PAGE.read_text("utf-8"))
