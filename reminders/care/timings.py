"""How a plan file spells when an instruction is due: the kinds of timing, checked and frozen."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Discriminator, Field, PlainValidator, Tag, model_validator

from reminders.care.values import Slot
from reminders.sentences import english


class Table(BaseModel):
    """One table of a plan file; a key that it does not know is a fault."""

    model_config = ConfigDict(frozen=True, extra="forbid")


def _amount(value: object) -> int | str:
    if isinstance(value, str) or (isinstance(value, int) and not isinstance(value, bool) and value >= 0):
        return value
    raise ValueError(english("a whole number from 0 on, or the name of a setting, not {value!r}").format(value=value))


def _amounts(value: object) -> int | str | tuple[int | str, ...]:
    return tuple(_amount(each) for each in value) if isinstance(value, list | tuple) else _amount(value)


Amount = Annotated[int | str, PlainValidator(_amount)]
"""A whole number, or the name of a setting that holds one."""


class AfterAnchor(Table):
    """Elapsed time after an anchor."""

    after: str
    hours: Amount = 0
    minutes: Amount = 0


class BeforeAnchor(Table):
    """Elapsed time before an anchor; never delayed past its moment by joining."""

    before: str
    hours: Amount = 0
    minutes: Amount = 0


class OnDay(Table):
    """One or more days of the course at a slot of the patient's day."""

    on_day: Annotated[int | str | tuple[int | str, ...], PlainValidator(_amounts)]
    at: Slot


class EachDay(Table):
    """Every day at slots: strictly after an anchor, or from a day on; until a day, which is not included."""

    each_day: tuple[Slot, ...] = Field(min_length=1)
    times: Amount | None = None
    """At the last so many of the slots only; all of them when not said."""
    until_day: Amount
    after: str | None = None
    from_day: Amount | None = None

    @model_validator(mode="after")
    def _has_one_start(self) -> EachDay:
        if (self.after is None) == (self.from_day is None):
            raise ValueError(english("say either `after` (an anchor) or `from_day`"))
        return self


class BeforeVisit(Table):
    """Whole days before the day of the visit, at a slot."""

    before_visit_days: Amount
    at: Slot


class AfterVisit(Table):
    """Whole days after the day of the visit, at a slot."""

    after_visit_days: Amount
    at: Slot


TIMING_KINDS = ("each_day", "on_day", "before_visit_days", "after_visit_days", "before", "after")
"""The key that tells which kind of timing a table holds; `each_day` first, as it may hold `after` too."""


def _kind_of_timing(table: object) -> str | None:
    keys = table if isinstance(table, Mapping) else getattr(table, "__dict__", {})
    return next((kind for kind in TIMING_KINDS if kind in keys), None)


When = Annotated[
    Annotated[EachDay, Tag("each_day")]
    | Annotated[OnDay, Tag("on_day")]
    | Annotated[BeforeVisit, Tag("before_visit_days")]
    | Annotated[AfterVisit, Tag("after_visit_days")]
    | Annotated[BeforeAnchor, Tag("before")]
    | Annotated[AfterAnchor, Tag("after")],
    Discriminator(
        _kind_of_timing,
        custom_error_type="timing",
        custom_error_message=english("a timing holds one of {known}").format(known=", ".join(TIMING_KINDS)),
    ),
]
