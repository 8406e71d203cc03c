"""The facts of a course: read as people and files spell them, and kept with the enrollment as JSON."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, time, timedelta
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from reminders.care.plan import Plan
from reminders.care.resolving import effective_settings, factor_named
from reminders.care.timing import instant_of, parse_local, zone_named
from reminders.care.values import DEFAULT_SLOTS, Channel, Course, Slot
from reminders.desk.blamed import blame
from reminders.errors import InputError
from reminders.words import gettext, marked

FACTS_VERSION = 1
LONGEST_COURSE = timedelta(days=366)
LONGEST_SITE = 40

_LANGUAGE_NAMES = {
    "english": "en", "ingles": "en", "inglés": "en", "spanish": "es", "espanol": "es", "español": "es",
}  # fmt: skip
_TIME_OF_DAY = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")
_MONTH_FIRST = ("%m/%d/%Y %I:%M %p", "%m/%d/%Y %I:%M%p", "%m/%d/%Y %H:%M", "%m/%d/%y %I:%M %p", "%m/%d/%y %H:%M")
_DAY_FIRST = ("%d/%m/%Y %H:%M", "%d/%m/%Y %I:%M %p", "%d.%m.%Y %H:%M", "%d.%m.%Y, %H:%M")
_TIMES = {
    "block_placed": marked("block placed"),
    "dressing_applied": marked("dressing applied"),
    "visit": marked("visit"),
}
"""Facts that are moments → how errors call them."""

Value = TypeVar("Value")


@dataclass(frozen=True, kw_only=True)
class CourseInput:
    """The facts of a course as they were typed; nothing is checked yet."""

    end: str
    zone: str
    language: str = "en"
    factors: tuple[str, ...] = ()
    settings: Mapping[str, str] = field(default_factory=dict)
    block_placed: str | None = None
    dressing_applied: str | None = None
    visit: str | None = None
    slots: Mapping[str, str] = field(default_factory=dict)
    channel: str = "sms"
    night_contact_agreed: bool = False
    site: str | None = None


def read_course(given: CourseInput, plan: Plan, *, region: str = "US") -> Course:
    """Turn what was typed into a course; raises InputError that names every problem at once.

    `region` decides whether 3/7/2026 is in March or in July.
    """
    problems: list[str] = []
    zone = _attempt(problems, "zone", lambda: zone_named(given.zone.strip())) or ZoneInfo("UTC")
    end = _attempt(
        problems, "end", lambda: parse_moment(given.end, zone, what=marked("the end of the procedure"), region=region)
    )
    times = {
        name: _attempt(problems, name, _moment_reader(text, zone, what, region))
        for name, what in _TIMES.items()
        if (text := getattr(given, name))
    }
    language = _attempt(problems, "language", lambda: language_of(given.language, plan))
    factors = {_attempt(problems, "factors", _factor_reader(text, plan)) for text in given.factors if text.strip()}
    settings = _attempt(problems, "settings", lambda: _settings(given.settings, plan)) or {}
    slots = _attempt(problems, "slots", lambda: _slots(given.slots)) or DEFAULT_SLOTS
    channel = _attempt(problems, "channel", lambda: _channel(given.channel))
    site = _attempt(problems, "site", lambda: _site(given.site))
    if end is not None:
        problems += _order_problems(end, times)
    if problems or end is None or language is None or channel is None:
        raise InputError(*problems)
    return Course(
        procedure_end=end,
        zone=zone,
        language=language,
        factors=frozenset(name for name in factors if name),
        settings=settings,
        block_placed=times.get("block_placed"),
        dressing_applied=times.get("dressing_applied"),
        visit=times.get("visit"),
        slots=slots,
        channel=channel,
        night_contact_agreed=given.night_contact_agreed,
        site=site,
    )


def parse_moment(text: str, zone: ZoneInfo, *, what: str, region: str = "US") -> datetime:
    """Read a date with a time, ISO 8601 or as a desk of `region` writes it; without offset in `zone`.

    Returns the instant in UTC; raises InputError.
    """
    wanted = " ".join(text.split())
    if re.fullmatch(r"\d{4}-\d{2}-\d{2}", wanted):
        raise InputError(gettext("{what} needs a time of day, like {wanted}T15:30", what=gettext(what), wanted=wanted))
    try:
        moment = parse_local(wanted, zone)
    except (ValueError, OverflowError):
        moment = _by_habit(wanted, zone, region) or _no_moment(text, what)
    if not 2000 <= moment.year <= 2100:
        raise InputError(
            gettext("{what} lies in the year {year}; check the date", what=gettext(what), year=moment.year)
        )
    return moment


def _by_habit(text: str, zone: ZoneInfo, region: str) -> datetime | None:
    for pattern in _MONTH_FIRST if region in {"US", "CA", "PR"} else _DAY_FIRST:
        try:
            wall = datetime.strptime(text.upper().replace("A.M.", "AM").replace("P.M.", "PM"), pattern)  # noqa: DTZ007  the zone is added by the rule for wall times
        except ValueError:
            continue
        return instant_of(wall.date(), wall.time(), zone)
    return None


def _no_moment(text: str, what: str) -> datetime:
    shown = text if len(text) <= 40 else text[:37] + "..."
    raise InputError(
        gettext(
            "{what}: {shown!r} is not a date and time; write it like 2026-03-07T15:30", what=gettext(what), shown=shown
        )
    )


def language_of(text: str, plan: Plan) -> str:
    """Return the plan's language for a code or name (`es-MX`, `Spanish`); raises InputError when it has none."""
    wanted = text.strip().replace("_", "-")
    known = plan.file.languages
    by_lower = {code.replace("_", "-").lower(): code for code in known}
    lower = wanted.lower()
    for candidate in (lower, _LANGUAGE_NAMES.get(lower, ""), lower.partition("-")[0]):
        if candidate in by_lower:
            return by_lower[candidate]
    raise InputError(
        gettext(
            "{procedure} has no texts in {text!r}; it has {known}",
            procedure=plan.procedure,
            text=text,
            known=", ".join(known),
        )
    )


def as_json(course: Course) -> dict[str, Any]:
    """Return the course as kept with its enrollment."""
    moments = ("block_placed", "dressing_applied", "visit")
    return {
        "version": FACTS_VERSION,
        "procedure_end": course.procedure_end.isoformat(),
        "zone": course.zone.key,
        "language": course.language,
        "factors": sorted(course.factors),
        "settings": dict(course.settings),
        **{name: moment.isoformat() if (moment := getattr(course, name)) else None for name in moments},
        "slots": {str(slot): f"{wall:%H:%M}" for slot, wall in course.slots.items()},
        "channel": str(course.channel),
        "night_contact_agreed": course.night_contact_agreed,
        "site": course.site,
        "overlaps": course.overlaps,
    }


def from_json(facts: Mapping[str, Any]) -> Course:
    """Return the course kept with an enrollment."""
    moments = ("block_placed", "dressing_applied", "visit")
    return Course(
        procedure_end=datetime.fromisoformat(facts["procedure_end"]).astimezone(UTC),
        zone=ZoneInfo(facts["zone"]),
        language=facts["language"],
        factors=frozenset(facts["factors"]),
        settings=facts["settings"],
        slots={Slot(name): time.fromisoformat(wall) for name, wall in facts["slots"].items()},
        channel=Channel(facts["channel"]),
        night_contact_agreed=facts["night_contact_agreed"],
        site=facts["site"],
        overlaps=facts["overlaps"],
        **{name: datetime.fromisoformat(facts[name]).astimezone(UTC) if facts[name] else None for name in moments},
    )


def _attempt(problems: list[str], field: str, read: Callable[[], Value]) -> Value | None:
    try:
        return read()
    except InputError as error:
        problems += blame(field, error.problems)
        return None


def _moment_reader(text: str, zone: ZoneInfo, what: str, region: str) -> Callable[[], datetime]:
    return lambda: parse_moment(text, zone, what=what, region=region)


def _factor_reader(text: str, plan: Plan) -> Callable[[], str]:
    return lambda: factor_named(text, plan)


def _settings(given: Mapping[str, str], plan: Plan) -> dict[str, int | str]:
    effective = effective_settings(plan, given)
    return {name: effective[name] for name in given}


def _slots(given: Mapping[str, str]) -> Mapping[Slot, time]:
    slots = dict(DEFAULT_SLOTS)
    for name, text in given.items():
        match = _TIME_OF_DAY.fullmatch(text.strip())
        if name.strip().lower() not in set(Slot):
            raise InputError(gettext("no time of day {name!r}; there are {known}", name=name, known=", ".join(Slot)))
        if not match:
            raise InputError(
                gettext("{name}: {text!r} is not a time of day; write it like 18:30", name=name, text=text)
            )
        slots[Slot(name.strip().lower())] = time(int(match[1]), int(match[2]))
    return slots


def _channel(text: str) -> Channel:
    wanted = text.strip().lower().replace("-", "")
    spellings = {"text": "sms", "mail": "email"}
    try:
        return Channel(spellings.get(wanted, wanted))
    except ValueError:
        raise InputError(
            gettext("no channel {text!r}; there are {known}", text=text, known=", ".join(Channel))
        ) from None


def _site(text: str | None) -> str | None:
    if text is None or not text.strip():
        return None
    site = " ".join(text.split())
    if len(site) > LONGEST_SITE or not site.isprintable():
        raise InputError(gettext("the site is named in at most {most} plain characters", most=LONGEST_SITE))
    return site


def _order_problems(end: datetime, times: Mapping[str, datetime | None]) -> list[str]:
    problems: list[str] = []
    block, dressing, visit = (times.get(name) for name in ("block_placed", "dressing_applied", "visit"))
    if block and not timedelta(0) <= end - block <= timedelta(hours=12):
        problems += blame(
            "block_placed", [gettext("the block is placed at most 12 h before the procedure ends, and not after it")]
        )
    if dressing and not timedelta(hours=-12) <= dressing - end <= timedelta(hours=12):
        problems += blame(
            "dressing_applied", [gettext("the dressing is put on within 12 h of the end of the procedure")]
        )
    if visit and not timedelta(0) < visit - end <= LONGEST_COURSE:
        problems += blame("visit", [gettext("the visit lies after the procedure, by a year at most")])
    return problems
