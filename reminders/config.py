"""The configuration: one TOML file, every key checked, every fault reported at once."""

from __future__ import annotations

import os
import re
import stat
import tomllib
from collections.abc import Mapping
from datetime import date, time, timedelta
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, Field, ValidationError, model_validator

from reminders import words
from reminders.care.quiet_hours import WEEKDAYS, QuietHours, QuietInterval
from reminders.care.timing import zone_named
from reminders.care.values import ContactRules
from reminders.config_delivery import DeliverySection, MailboxSection
from reminders.config_desk import (
    AnswersSection,
    DigestSection,
    DutySection,
    IncomingSection,
    RetentionSection,
    SilenceSection,
)
from reminders.config_parts import Section
from reminders.config_web import WebSection
from reminders.errors import ConfigError, InputError
from reminders.sentences import english

ENV_CONFIG = "REMINDERS_CONFIG"
ENV_DATABASE = "REMINDERS_DATABASE"
DEFAULT_PATH = Path("config.toml")
_PASSWORD = re.compile(r"://[^/@]*:[^/@]|[?&]password=")
"""In the address of a database."""


def _known_zone(name: str) -> str:
    try:
        zone_named(name)
    except InputError as error:
        raise ValueError(str(error)) from None
    return name


def _staff_language(code: str) -> str:
    if code and words.nearest(code) is None:
        raise ValueError(
            english("there is no catalog for it; choose from {known}").format(known=", ".join(words.available()))
        )
    return code


def _open_hours(text: str) -> str:
    try:
        interval = QuietInterval.parse(text)
    except ValueError:
        raise ValueError(english("opening hours look like 08:30-12:00, not {text!r}").format(text=text)) from None
    if interval.spans_midnight:
        raise ValueError(english("opening hours end before they begin"))
    return text.strip()


def _interval(text: str) -> str:
    QuietInterval.parse(text)
    return text.strip()


OpenHours = Annotated[str, AfterValidator(_open_hours)]
Interval = Annotated[str, AfterValidator(_interval)]
ZoneName = Annotated[str, AfterValidator(_known_zone)]
Line = Annotated[str, Field(min_length=1, max_length=80, pattern=r"^[^\r\n\x00-\x1f]+$")]


class OpeningHours(Section):
    """When somebody of the practice answers: `["08:30-12:00", "13:00-17:30"]` a weekday; closed when empty."""

    monday: tuple[OpenHours, ...] = ("08:30-17:30",)
    tuesday: tuple[OpenHours, ...] = ("08:30-17:30",)
    wednesday: tuple[OpenHours, ...] = ("08:30-17:30",)
    thursday: tuple[OpenHours, ...] = ("08:30-17:30",)
    friday: tuple[OpenHours, ...] = ("08:30-17:30",)
    saturday: tuple[OpenHours, ...] = ()
    sunday: tuple[OpenHours, ...] = ()
    closed_on: tuple[date, ...] = ()

    @model_validator(mode="after")
    def _ever_open(self) -> OpeningHours:
        if not any(self.of_weekday(weekday) for weekday in WEEKDAYS):
            raise ValueError(english("the practice is never open; give at least one weekday hours"))
        return self

    def intervals(self) -> tuple[tuple[tuple[time, time], ...], ...]:
        """Return the hours as (open, close) wall times, Monday first."""
        return tuple(
            tuple((each.start_wall, each.end_wall) for each in self.of_weekday(weekday)) for weekday in WEEKDAYS
        )

    def of_weekday(self, weekday: str) -> tuple[QuietInterval, ...]:
        """Return the open intervals of a weekday by its name."""
        return tuple(QuietInterval.parse(text) for text in getattr(self, weekday))


class PracticeSection(Section):
    """Who writes to the patients."""

    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")] = "main"
    name: Line
    zone: ZoneName
    region: Annotated[str, Field(pattern=r"^[A-Z]{2}$")] = "US"
    language: str = "en"
    staff_language: Annotated[str, AfterValidator(_staff_language)] = ""
    """Of commands, pages and notices for staff; empty: as the environment's locale says."""
    phone: Line
    after_hours_phone: Annotated[str, Field(max_length=40)] = ""
    emergency_number: Line = "911"
    email: str = ""
    visit_minutes: int = Field(default=30, ge=5, le=480)
    """How long a return visit is in a patient's calendar."""
    opening_hours: OpeningHours = OpeningHours()


class ContactSection(Section):
    """When and how often patients are written to."""

    quiet_hours: tuple[Interval, ...] = ("21:00-08:00",)
    quiet_hours_on: Mapping[str, tuple[Interval, ...]] = Field(default_factory=dict)
    daily_limit: int = Field(default=5, ge=1, le=20)
    join_within_minutes: int = Field(default=20, ge=0, le=120)
    keep_apart_minutes: int = Field(default=2, ge=0, le=30)
    before_quiet_minutes: int = Field(default=15, ge=1, le=120)
    segment_limit: int = Field(default=3, ge=1, le=10)

    @model_validator(mode="after")
    def _quiet_hours_readable(self) -> ContactSection:
        self.rules()
        return self

    def rules(self) -> ContactRules:
        """Return these settings as the rules that the schedule follows."""
        return ContactRules(
            quiet=QuietHours.of_week(self.quiet_hours, self.quiet_hours_on),
            daily_limit=self.daily_limit,
            join_within=timedelta(minutes=self.join_within_minutes),
            keep_apart=timedelta(minutes=self.keep_apart_minutes),
            before_quiet=timedelta(minutes=self.before_quiet_minutes),
        )


class ConcernsSection(Section):
    """How soon a concern must be dealt with."""

    emergency_minutes: int = Field(default=15, ge=1, le=120)
    urgent_hours: int = Field(default=4, ge=1, le=24)
    urgent_after_opening_minutes: int = Field(default=60, ge=1, le=480)
    routine_working_days: int = Field(default=1, ge=0, le=10)


class SealingSection(Section):
    """Where the keys are that seal patients' data: one of three places, and never in this file or the database."""

    key_file: Path = Path("reminders.keys")
    key_variable: str = ""
    """An environment variable that holds them."""
    key_command: tuple[str, ...] = ()
    """A program that prints them, with its arguments."""

    @model_validator(mode="after")
    def _one_place(self) -> SealingSection:
        if self.key_variable and self.key_command:
            raise ValueError(english("name either key_variable or key_command"))
        return self


class Config(Section):
    """Everything that can be set."""

    database: str = "sqlite:///reminders.sqlite3"
    templates: Path | None = None
    demo: bool = False
    practice: PracticeSection
    contact: ContactSection = ContactSection()
    concerns: ConcernsSection = ConcernsSection()
    answers: AnswersSection = AnswersSection()
    duty: DutySection = DutySection()
    silence: SilenceSection = SilenceSection()
    digest: DigestSection = DigestSection()
    incoming: IncomingSection = IncomingSection()
    sealing: SealingSection = SealingSection()
    retention: RetentionSection = RetentionSection()
    delivery: DeliverySection = DeliverySection()
    mailbox: MailboxSection | None = None
    web: WebSection = WebSection()
    folder: Annotated[Path, Field(exclude=True)] = Path()
    """Where the file lies; relative paths in it count from here."""

    @property
    def zone(self) -> ZoneInfo:
        """The practice's own zone."""
        return ZoneInfo(self.practice.zone)

    @property
    def database_url(self) -> str:
        """The database, with a relative SQLite path counted from the configuration's folder."""
        prefix = "sqlite:///"
        if self.database.startswith(prefix) and not self.database.startswith("sqlite:////"):
            return prefix + str((self.folder / self.database.removeprefix(prefix)).resolve())
        return self.database

    @property
    def templates_folder(self) -> Path:
        """The folder of procedures: the one configured, else the one that came with the program."""
        return (self.folder / self.templates) if self.templates else shipped_templates()

    @property
    def outbox_folder(self) -> Path:
        """Where the file transport writes."""
        return self.folder / self.delivery.file.folder


def shipped_templates() -> Path:
    """Return the folder of procedures that came with the program."""
    packaged = Path(__file__).parent / "message_templates"
    return packaged if packaged.is_dir() else Path(__file__).parent.parent / "message_templates"


def find_config(given: Path | None) -> Path | None:
    """Return the configuration file to use: the one given, REMINDERS_CONFIG's, `config.toml` here; or None."""
    if given is not None:
        return given
    if from_environment := os.environ.get(ENV_CONFIG):
        return Path(from_environment)
    return DEFAULT_PATH if DEFAULT_PATH.is_file() else None


def load_config(given: Path | None = None) -> Config:
    """Read and check the configuration; raises ConfigError that names every faulty key."""
    path = find_config(given)
    if path is None:
        raise ConfigError(
            english("no {file} here and no {variable}; run `reminders init` to make one").format(
                file=DEFAULT_PATH, variable=ENV_CONFIG
            )
        )
    try:
        values = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        raise ConfigError(
            english("{file} does not exist; run `reminders init` to make one").format(file=path)
        ) from None
    except IsADirectoryError:
        raise ConfigError(english("{file} is a folder; name the file in it").format(file=path)) from None
    except UnicodeDecodeError:
        raise ConfigError(f"{path}: " + english("save it as UTF-8")) from None
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{path}: " + english("not valid TOML: {error}").format(error=error)) from None
    _require_private(path, str(values.get("database", "")))
    if database := os.environ.get(ENV_DATABASE):
        values["database"] = database
    try:
        return Config.model_validate({**values, "folder": path.resolve().parent})
    except ValidationError as error:
        raise ConfigError("\n".join(_fault_lines(error, path))) from None


def _require_private(path: Path, database: str) -> None:
    """Raise ConfigError when others may read the password that the address of the database may hold."""
    mode = stat.S_IMODE(path.stat().st_mode)
    if _PASSWORD.search(database) and mode & (stat.S_IRWXG | stat.S_IRWXO) and os.name == "posix":
        open_to_others = english(
            "{file} holds the password of the database and is open to others (mode {mode}): chmod 600 {path}"
        )
        raise ConfigError(open_to_others.format(file=path, mode=f"{mode:04o}", path=path))


def _fault_lines(error: ValidationError, path: Path) -> list[str]:
    lines = []
    for each in error.errors(include_url=False, include_input=False):
        key = ".".join(str(part) for part in each["loc"])
        message = english("this key is not known") if each["type"] == "extra_forbidden" else each["msg"]
        lines.append(f"{path}: {key}: {message.removeprefix('Value error, ')}")
    return lines
