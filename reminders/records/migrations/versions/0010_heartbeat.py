"""Keep when dispatching last went round, and find the messages in doubt without a look at all others."""

import sqlalchemy as sa
from alembic import op

from reminders.records.columns import Instant

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

_UNCERTAIN = sa.text("state = 'uncertain'")


def upgrade() -> None:
    """Add the table and the index."""
    op.create_table(
        "heartbeat",
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("job", sa.String(), nullable=False),
        sa.Column("at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("practice_id", "job", name=op.f("pk_heartbeat")),
    )
    op.create_index(
        "ix_message_uncertain",
        "message",
        ["practice_id", "transport"],
        sqlite_where=_UNCERTAIN,
        postgresql_where=_UNCERTAIN,
    )


def downgrade() -> None:
    """Take them away again."""
    op.drop_index("ix_message_uncertain", "message")
    op.drop_table("heartbeat")
