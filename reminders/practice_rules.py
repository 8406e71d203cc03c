"""Builds what follows from the practice's settings: a new one whenever they change, the old one stays as it was."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta
from functools import cached_property
from typing import TypeVar

from reminders.clock import Clock
from reminders.config import Config
from reminders.config_desk import AnswersSection, SilenceSection
from reminders.desk.composing import AnswerRules, Desk, House, SilenceRules
from reminders.desk.opening_hours import DueTimes, OpeningHours
from reminders.desk.plans import PlanLibrary
from reminders.wording.render import Sender

Key = TypeVar("Key")
Value = TypeVar("Value")


@dataclass(frozen=True, kw_only=True)
class PracticeRules:
    """The desk of a practice by one version of its settings."""

    config: Config
    version: int = 0
    """Of the last change on the pages that it holds; 0: as the file says."""
    clock: Clock
    library: Callable[[], PlanLibrary]

    @cached_property
    def desk(self) -> Desk:
        """Where staff act."""
        from reminders.desk.duty_list import duty_of  # noqa: PLC0415  reads numbers, which a preview need not pay for

        practice, due = self.config.practice, self.config.concerns
        return Desk(
            practice_id=practice.id,
            zone=self.config.zone,
            region=practice.region,
            language=practice.language,
            library=self.library(),
            house=self.house,
            opening=OpeningHours(
                by_weekday=practice.opening_hours.intervals(),
                closed_on=frozenset(practice.opening_hours.closed_on),
                zone=self.config.zone,
            ),
            due=DueTimes(
                emergency=timedelta(minutes=due.emergency_minutes),
                urgent=timedelta(hours=due.urgent_hours),
                urgent_after_opening=timedelta(minutes=due.urgent_after_opening_minutes),
                routine_working_days=due.routine_working_days,
            ),
            duty=duty_of(self.config.duty, zone=self.config.zone, region=practice.region, at=self.clock.now()),
            answers=_answer_rules(self.config.answers),
            silence=_silence_rules(self.config.silence),
            clock=self.clock,
            demo=self.config.demo,
            visit_length=timedelta(minutes=practice.visit_minutes),
            has_email=bool(practice.email),
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


class AsNow(Mapping[Key, Value]):
    """A mapping that is asked for anew each time: for parts that outlive a change of the settings."""

    def __init__(self, now: Callable[[], Mapping[Key, Value]]) -> None:
        self._now = now

    def __getitem__(self, key: Key) -> Value:
        return self._now()[key]

    def __iter__(self) -> Iterator[Key]:
        return iter(self._now())

    def __len__(self) -> int:
        return len(self._now())


def _answer_rules(section: AnswersSection) -> AnswerRules:
    return AnswerRules(
        most_a_day=section.most_a_day,
        again_after=timedelta(minutes=section.again_after_minutes),
        emergency_again_after=timedelta(minutes=section.emergency_again_after_minutes),
    )


def _silence_rules(section: SilenceSection) -> SilenceRules:
    return SilenceRules(
        ask_again_after=timedelta(minutes=section.ask_again_after_minutes),
        silent_after=timedelta(minutes=section.silent_after_minutes),
        concern_factors=frozenset(section.concern_factors),
    )
