"""Keep how far limits are used up, which ways out are in trouble, and which message stands in for another."""

import sqlalchemy as sa
from alembic import op

from reminders.records.columns import BigId, Instant

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

_INSTEAD = sa.text("instead_of_id IS NOT NULL")
_UNDELIVERED = sa.text("state = 'sent' AND (transport = 'http' OR transport = 'smpp')")


def upgrade() -> None:
    """Create two tables and add a column with its index, and one more index."""
    op.create_table(
        "pace",
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("channel", sa.String(), nullable=False),
        sa.Column("seconds", sa.Integer(), nullable=False),
        sa.Column("free_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("practice_id", "channel", "seconds", name=op.f("pk_pace")),
    )
    op.create_table(
        "queue_health",
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("channel", sa.String(), nullable=False),
        sa.Column("slow_steps", sa.Integer(), nullable=False),
        sa.Column("slowed_at", Instant(), nullable=True),
        sa.Column("resume_at", Instant(), nullable=True),
        sa.Column("broken_since", Instant(), nullable=True),
        sa.Column("retry_at", Instant(), nullable=True),
        sa.Column("probes", sa.Integer(), nullable=False),
        sa.Column("told_at", Instant(), nullable=True),
        sa.PrimaryKeyConstraint("practice_id", "channel", name=op.f("pk_queue_health")),
    )
    op.add_column("message", sa.Column("instead_of_id", BigId, nullable=True))
    op.create_index(
        "uq_message_instead_of",
        "message",
        ["instead_of_id"],
        unique=True,
        sqlite_where=_INSTEAD,
        postgresql_where=_INSTEAD,
    )
    op.create_index(
        "ix_message_undelivered",
        "message",
        ["practice_id", "settled_at"],
        sqlite_where=_UNDELIVERED,
        postgresql_where=_UNDELIVERED,
    )


def downgrade() -> None:
    """Take them away again."""
    op.drop_index("ix_message_undelivered", "message")
    op.drop_index("uq_message_instead_of", "message")
    op.drop_column("message", "instead_of_id")
    op.drop_table("queue_health")
    op.drop_table("pace")
