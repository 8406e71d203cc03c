"""The one place that builds the parts of the program from the configuration; commands, pages and tests call it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from reminders.clock import Clock, SystemClock
from reminders.config import Config, PracticeSection, find_config, load_config
from reminders.desk.composing import House
from reminders.desk.plans import PlanLibrary
from reminders.wording.render import Sender


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


def facts_for_people(app: App) -> Mapping[str, str]:
    """Return what a person asking after the installation wants to see."""
    return {
        "practice": app.config.practice.name,
        "zone": app.config.practice.zone,
        "templates": str(app.config.templates_folder),
    }
