"""The table of what the program says about itself: that it still goes round."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Column, Table
from sqlmodel import Field, SQLModel

from reminders.records.columns import Instant


class Heartbeat(SQLModel, table=True):
    """When a job of a practice was last seen alive, whichever worker it was."""

    practice_id: str = Field(primary_key=True)
    job: str = Field(primary_key=True)
    at: datetime = Field(sa_column=Column(Instant, nullable=False))


HEARTBEATS: Table = SQLModel.metadata.tables["heartbeat"]
