"""Find what a sender wrote and was answered lately by an index, also when nobody knows them."""

from alembic import op

revision = "0021"
down_revision = "0020"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the index."""
    op.create_index("ix_reply_sender", "reply", ["sender_key", "received_at"])


def downgrade() -> None:
    """Drop it."""
    op.drop_index("ix_reply_sender", "reply")
