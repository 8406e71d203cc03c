"""Tell from the index of messages by time which courses have one ahead, without reading the messages."""

from alembic import op

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the course to the index."""
    op.drop_index("ix_message_send", "message")
    op.create_index("ix_message_send", "message", ["practice_id", "send_at", "id", "enrollment_id"])


def downgrade() -> None:
    """Take it out again."""
    op.drop_index("ix_message_send", "message")
    op.create_index("ix_message_send", "message", ["practice_id", "send_at", "id"])
