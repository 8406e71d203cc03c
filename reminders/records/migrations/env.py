"""What Alembic runs to compare or change a schema; the connection is given by `reminders.records.schema`."""

from alembic import context
from sqlalchemy import Connection
from sqlmodel import SQLModel

import reminders.records.tables
import reminders.records.tables_api
import reminders.records.tables_audit
import reminders.records.tables_concerns
import reminders.records.tables_delivery
import reminders.records.tables_desk
import reminders.records.tables_operations
import reminders.records.tables_settings
import reminders.records.tables_staff
import reminders.records.tables_waiting  # noqa: F401  all of them fill the metadata

connection: Connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=SQLModel.metadata, render_as_batch=True)
with context.begin_transaction():
    context.run_migrations()
