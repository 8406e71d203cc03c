"""Knows which values a text may speak of, and what they are for one patient's course."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone, tzinfo
from functools import lru_cache

from reminders.care.plan import BASE_ANCHORS, Plan
from reminders.care.resolving import Resolved
from reminders.care.timing import local_day, local_time
from reminders.care.values import Channel, Occurrence, Outcome
from reminders.wording.email_body import escape_markdown

SENDER_NAMES = ("practice_name", "practice_phone", "after_hours_phone", "emergency_number")
FRAME_NAMES = frozenset({*SENDER_NAMES, "first_name", "site", "names_site", "procedure_day", "body"})
"""What a frame may use; `body` is where the texts stand."""
ANSWERS = (
    "answer_stopped",
    "answer_started",
    "answer_help",
    "answer_emergency",
    "answer_urgent",
    "answer_routine",
    "answer_wrong_person",
)
"""The automatic answers to replies."""
ANSWER_NAMES = frozenset({*SENDER_NAMES, "office_open", "office_closing", "on_call", "due", "past_midnight"})
"""What an answer may use."""
MOMENT_NAMES = frozenset({"at_desk", "moved_earlier", "send_at"})
"""What differs from one message of a course to the next."""

# Characters that would end a line, or turn the order of what follows (Unicode TR 36, bidirectional overrides).
_DISTURBING = re.compile("[\u202a-\u202e\u2066-\u2069]")


@dataclass(frozen=True, kw_only=True)
class Sender:
    """The practice as its messages name it."""

    practice_name: str
    practice_phone: str
    after_hours_phone: str
    """Empty when there is none."""
    emergency_number: str


@dataclass(frozen=True, kw_only=True)
class Facts:
    """The values of one course for one channel, and the same values as parts of a cache key."""

    values: Mapping[str, object]
    in_subject: Mapping[str, str]
    """The names as they stand in a header, where Markdown means nothing."""
    keys: Mapping[str, object]
    marks: frozenset[str]


def allowed_names(plan: Plan) -> frozenset[str]:
    """Return every variable that a text of the plan may use."""
    course = {"first_name", "site", "has", "procedure_day"}
    return frozenset({*SENDER_NAMES, *course, *MOMENT_NAMES, *plan.file.settings, *BASE_ANCHORS, *plan.file.anchors})


def facts_of(resolved: Resolved, sender: Sender, *, first_name: str, channel: Channel) -> Facts:
    """Return what texts may say about a course; names are made safe to stand in a line of the channel."""
    course = resolved.course
    zone = course.zone
    moments: dict[str, datetime | None] = {
        "visit": None,
        **{name: local(instant, zone) for name, instant in resolved.anchors.items()},
    }
    names = {**sender_names(sender), "first_name": one_line(first_name), "site": one_line(course.site or "")}
    values = {
        **safe_in(channel, names),
        "names_site": course.overlaps,
        "has": resolved.marks,
        "procedure_day": local_day(course.procedure_end, zone),
        **resolved.settings,
        **moments,
    }
    keys = {**values, **{name: moment_key(moment) for name, moment in moments.items()}}
    return Facts(values=values, in_subject=names, keys=keys, marks=resolved.marks)


def sender_names(sender: Sender) -> dict[str, str]:
    """Return what texts may say about the practice, each fit for a line or a header."""
    return {name: one_line(getattr(sender, name)) for name in SENDER_NAMES}


def safe_in(channel: Channel, names: Mapping[str, str]) -> Mapping[str, str]:
    """Return names as they may stand in a text of the channel: in an e-mail none means anything in Markdown."""
    if channel is Channel.SMS:
        return names
    return {name: escape_markdown(value) for name, value in names.items()}


def moment_values(each: Occurrence, zone: tzinfo, *, at_desk: bool) -> dict[str, object]:
    """Return what texts may say about the moment of one message."""
    at_desk = at_desk or each.outcome is Outcome.AT_CHECKOUT
    return {
        "at_desk": at_desk,
        "moved_earlier": not at_desk and each.send_at < each.planned_at,
        "send_at": local(each.send_at, zone),
    }


def moment_source(each: Occurrence, zone: tzinfo, *, at_desk: bool) -> Hashable:
    """Return what `moment_values` follow from: where it is equal, so are they."""
    return each.send_at, each.planned_at, zone, at_desk or each.outcome is Outcome.AT_CHECKOUT


@lru_cache(maxsize=4096)
def local(instant: datetime, zone: tzinfo) -> datetime:
    """Return an instant by the patient's wall clock.

    It carries the plain offset, not the zone: within one zone Python compares wall readings, which goes wrong
    in the hour that happens twice.
    """
    there = local_time(instant, zone)
    return there.replace(tzinfo=timezone(there.utcoffset() or timedelta(0)), fold=0)


def moment_key(value: object) -> object:
    """Return a value as part of a cache key: two moments are the same only if wall reading and offset are."""
    return (value.replace(tzinfo=None), value.utcoffset()) if isinstance(value, datetime) else value


def one_line(text: str) -> str:
    """Return a name as it may stand in a line or a header: control characters and line ends become spaces."""
    if text.isascii() and text.isprintable():
        return text.strip()
    kept = ("" if unicodedata.category(char) == "Cs" else char for char in _DISTURBING.sub("", text))
    spaced = (" " if unicodedata.category(char) in {"Cc", "Zl", "Zp"} else char for char in kept if char)
    return "".join(spaced).strip()
