"""The one place that builds the parts of the program from the configuration; commands, pages and tests call it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from reminders.clock import Clock, SystemClock
from reminders.config import Config, PracticeSection, find_config, load_config
from reminders.desk.composing import Desk, House
from reminders.desk.opening_hours import DueTimes, OpeningHours
from reminders.desk.plans import PlanLibrary
from reminders.wording.render import Sender

if TYPE_CHECKING:
    from reminders.records.database import Database


@dataclass(frozen=True)
class App:
    """The program's parts, each built at its first use."""

    config: Config
    clock: Clock = field(default_factory=SystemClock)

    @cached_property
    def library(self) -> PlanLibrary:
        """The procedures there are."""
        return PlanLibrary(self.config.templates_folder)

    @cached_property
    def database(self) -> Database:
        """The practice's database, open; raises ConfigError when it is missing or has another schema."""
        from reminders.records.database import open_database  # noqa: PLC0415  half a second that a preview need not pay

        return open_database(self.config.database_url)

    @cached_property
    def desk(self) -> Desk:
        """Where staff act."""
        practice, due = self.config.practice, self.config.concerns
        return Desk(
            practice_id=practice.id,
            zone=self.config.zone,
            region=practice.region,
            language=practice.language,
            library=self.library,
            house=self.house,
            opening=OpeningHours(
                by_weekday=practice.opening_hours.intervals(),
                closed_on=frozenset(practice.opening_hours.closed_on),
                zone=self.config.zone,
            ),
            due=DueTimes(
                emergency=timedelta(minutes=due.emergency_minutes),
                urgent=timedelta(hours=due.urgent_hours),
                routine_working_days=due.routine_working_days,
            ),
            clock=self.clock,
            demo=self.config.demo,
        )

    @cached_property
    def house(self) -> House:
        """What the practice puts into every course."""
        practice = self.config.practice
        return House(
            sender=Sender(
                practice_name=practice.name,
                practice_phone=practice.phone,
                after_hours_phone=practice.after_hours_phone,
                emergency_number=practice.emergency_number,
            ),
            rules=self.config.contact.rules(),
            segment_limit=self.config.contact.segment_limit,
        )


def assemble(config_path: Path | None, *, clock: Clock | None = None) -> App:
    """Build the program from a configuration file; raises ConfigError."""
    return App(load_config(config_path), clock or SystemClock())


def assemble_for_preview(config_path: Path | None) -> tuple[App, bool]:
    """Build what a preview needs; without any configuration an invented practice stands in, and False is returned."""
    if find_config(config_path) is not None:
        return assemble(config_path), True
    practice = PracticeSection(name="Example Practice", zone="America/New_York", phone="212-555-0100")
    return App(Config(practice=practice)), False
