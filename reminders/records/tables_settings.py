"""The table of settings that a practice changed on its pages, with who changed them when."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import CheckConstraint, Column
from sqlmodel import Field, SQLModel

import reminders.records.tables  # noqa: F401  what is referred to
from reminders.records.columns import Instant
from reminders.records.sealed_types import SealedJson


class PracticeSetting(SQLModel, table=True):
    """One change of a section of the settings; rows are added and never changed, the newest of a section counts."""

    __tablename__ = "practice_setting"
    __table_args__ = (CheckConstraint("version > 0", name="ck_practice_setting_version"),)

    practice_id: str = Field(foreign_key="practice.id", primary_key=True)
    version: int = Field(primary_key=True)
    """Counted from 1 over all sections of a practice."""
    section: str
    values: dict[str, Any] = Field(sa_column=Column(SealedJson("practice_setting.values"), nullable=False))
    """What lies over the file's section; empty: nothing does."""
    changed_by: str
    """As histories name them."""
    changed_at: datetime = Field(sa_column=Column(Instant, nullable=False))
    puts_back: int | None = None
    """The version that it put back; 0 is the file."""
