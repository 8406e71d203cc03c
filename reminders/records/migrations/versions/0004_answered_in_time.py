"""Keep who was told of a concern, what was asked twice, which courses pause, and every e-mail as it came."""

import sqlalchemy as sa
from alembic import op

from reminders.records.columns import BigId, Instant

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_OPEN = sa.text("state = 'open'")
_REPEAT = sa.text("repeats_id IS NOT NULL")
_ASKED = sa.text("asks IS NOT NULL AND unanswered_at IS NULL AND settled_at IS NOT NULL")


def upgrade() -> None:
    """Add the columns, their indexes and two tables."""
    op.add_column("concern", sa.Column("notify_at", Instant(), nullable=True))
    op.add_column("concern", sa.Column("notified_steps", sa.Integer(), server_default="0", nullable=False))
    op.create_index(
        "ix_concern_notify", "concern", ["practice_id", "notify_at"], sqlite_where=_OPEN, postgresql_where=_OPEN
    )
    op.add_column("enrollment", sa.Column("paused_at", Instant(), nullable=True))
    op.add_column("message", sa.Column("repeats_id", BigId, nullable=True))
    op.add_column("message", sa.Column("unanswered_at", Instant(), nullable=True))
    op.create_index(
        "uq_message_repeats", "message", ["repeats_id"], unique=True, sqlite_where=_REPEAT, postgresql_where=_REPEAT
    )
    op.create_index("ix_message_asked", "message", ["settled_at"], sqlite_where=_ASKED, postgresql_where=_ASKED)
    op.add_column("reply", sa.Column("written_by", sa.String(), server_default="person", nullable=False))
    op.create_table(
        "incoming_email",
        sa.Column("id", BigId, nullable=False),
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("fingerprint", sa.String(), nullable=False),
        sa.Column("raw", sa.LargeBinary(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("reply_id", BigId, nullable=True),
        sa.Column("received_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_incoming_email")),
        sa.UniqueConstraint("practice_id", "fingerprint", name=op.f("uq_incoming_email_practice_id_fingerprint")),
    )
    op.create_table(
        "done_once",
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("what", sa.String(), nullable=False),
        sa.Column("at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("practice_id", "what", name=op.f("pk_done_once")),
    )


def downgrade() -> None:
    """Take them away again."""
    op.drop_table("done_once")
    op.drop_table("incoming_email")
    op.drop_column("reply", "written_by")
    op.drop_index("ix_message_asked", "message")
    op.drop_index("uq_message_repeats", "message")
    op.drop_column("message", "unanswered_at")
    op.drop_column("message", "repeats_id")
    op.drop_column("enrollment", "paused_at")
    op.drop_index("ix_concern_notify", "concern")
    op.drop_column("concern", "notified_steps")
    op.drop_column("concern", "notify_at")
