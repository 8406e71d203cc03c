"""The configuration of what the desk does by itself: answers, the duty list, silent patients, the digest."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date, time
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from reminders.config_parts import Section
from reminders.sentences import english

Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
_HOURS = re.compile(r"([01]\d|2[0-3]):([0-5]\d)-([01]\d|2[0-4]):([0-5]\d)")


def _hours(text: str) -> str:
    match = _HOURS.fullmatch(text)
    if not match or (match[3] == "24" and match[4] != "00"):
        raise ValueError(english("hours look like 17:30-08:30 or 00:00-24:00, not {text!r}").format(text=text))
    return text


def _wall(text: str) -> str:
    if not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", text):
        raise ValueError(english("a time of day looks like 07:30, not {text!r}").format(text=text))
    return text


def _link(text: str) -> str:
    if text and not re.fullmatch(r"https?://[^\s]+", text):
        raise ValueError(english("must be an http:// or https:// address"))
    return text.rstrip("/")


Hours = Annotated[str, AfterValidator(_hours)]
WallTime = Annotated[str, AfterValidator(_wall)]
Link = Annotated[str, Field(max_length=80), AfterValidator(_link)]


class PersonSection(Section):
    """Somebody of the practice who can be told of a concern."""

    name: Annotated[str, Field(min_length=1, max_length=80, pattern=r"^[^\r\n\x00-\x1f]+$")]
    phone: str = ""
    email: str = ""

    @model_validator(mode="after")
    def _reachable(self) -> PersonSection:
        if not (self.phone or self.email):
            raise ValueError(english("{name} needs a phone or an email").format(name=self.name))
        return self


class ShiftSection(Section):
    """Who is on duty in some hours, in the order in which they are told."""

    days: tuple[Weekday, ...] = ()
    dates: tuple[date, ...] = ()
    """Exceptions: on these days it comes before what the weekdays say."""
    hours: Hours = "00:00-24:00"
    """Through midnight when the end is not after the beginning; it belongs to the day on which it begins."""
    people: tuple[str, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _when(self) -> ShiftSection:
        if bool(self.days) == bool(self.dates):
            raise ValueError(english("name either days or dates"))
        return self

    def walls(self) -> tuple[time, time]:
        """Return when it begins and ends; 24:00 is midnight."""
        start, end = self.hours.split("-")
        return time.fromisoformat(start), time(0) if end == "24:00" else time.fromisoformat(end)


class DutySection(Section):
    """Who is told when nobody takes a concern."""

    people: Mapping[str, PersonSection] = Field(default_factory=dict)
    """By a short name that shifts use. In hours without a shift all of them are told, in this order."""
    shifts: tuple[ShiftSection, ...] = ()
    emergency_step_minutes: int = Field(default=5, ge=1, le=60)
    step_minutes: int = Field(default=15, ge=1, le=240)
    urgent_take_minutes: int = Field(default=30, ge=1, le=480)
    """Of opening hours; then the first person is told that nobody took it. Routine ones wait until they are due."""
    link: Link = ""
    """Where staff open the list of concerns; its number is added behind."""

    @model_validator(mode="after")
    def _known(self) -> DutySection:
        for shift in self.shifts:
            for name in shift.people:
                if name not in self.people:
                    raise ValueError(english("a shift names {name!r}, who is not among the people").format(name=name))
        return self


class AnswersSection(Section):
    """How often one address is answered automatically."""

    most_a_day: int = Field(default=8, ge=1, le=50)
    again_after_minutes: int = Field(default=60, ge=1, le=1440)
    """The same answer is not given again sooner."""
    emergency_again_after_minutes: int = Field(default=10, ge=1, le=120)


class SilenceSection(Section):
    """What happens when nobody answers a check-in."""

    ask_again_after_minutes: int = Field(default=180, ge=10, le=2880)
    silent_after_minutes: int = Field(default=720, ge=30, le=10080)
    concern_factors: tuple[str, ...] = (
        "diabetes",
        "poor_circulation",
        "neuropathy",
        "immunosuppressed",
        "blood_thinner",
        "blood_thinner_not_warfarin",
        "warfarin",
    )
    """Patients with one of these who stay silent are a concern; of others it is only noted."""

    @model_validator(mode="after")
    def _in_order(self) -> SilenceSection:
        if self.silent_after_minutes <= self.ask_again_after_minutes:
            raise ValueError(english("silent_after_minutes: must be longer than ask_again_after_minutes"))
        return self


class IncomingSection(Section):
    """Where other systems of the practice drop files that tell of patients to enroll: HL7 v2 or FHIR."""

    folder: Path | None = None
    """None for none; a relative path counts from the configuration's folder."""
    every_seconds: int = Field(default=15, ge=1, le=3600)


class DigestSection(Section):
    """The daily overview for the clinician on duty, by e-mail; it holds numbers and no names."""

    send: bool = True
    """Only ever to people on the duty list who have an e-mail address."""
    at: WallTime = "07:30"
    on_closed_days: bool = False


class RetentionSection(Section):
    """How long what is kept is kept; what of it must not go sooner, the program refuses to delete sooner."""

    documentation_years: int = Field(default=6, ge=6, le=100)
    """From when it was last in effect. 45 CFR 164.316(b)(2)(i) asks for six; a state may ask for more."""
    texts_days: int | None = Field(default=None, ge=30)
    """What messages and replies said; None: as long as the documentation. That they were sent and came stays."""
    audit_years: int | None = Field(default=None, ge=6, le=100)
    """Entries of the audit trail; None: as long as the documentation, and never shorter."""
    purge: bool = True
    """Whether the program purges once a day by itself; `reminders purge` does in any case."""

    @model_validator(mode="after")
    def _in_order(self) -> RetentionSection:
        if self.audit_years is not None and self.audit_years < self.documentation_years:
            raise ValueError(english("audit_years: is shorter than documentation_years; who saw a record outlasts it"))
        return self
