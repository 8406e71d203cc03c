"""Keep which mail an answer answers, and what was left out of a mail that was read; no copy of the mail itself."""

import sqlalchemy as sa
from alembic import op

from reminders.records.columns import BigId, Instant

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add two columns; the mailbox keeps the mails, so the table for them goes."""
    op.add_column("message", sa.Column("in_reply_to", sa.String(), nullable=True))
    op.add_column("reply", sa.Column("left_out", sa.String(), nullable=True))
    op.drop_table("incoming_email")


def downgrade() -> None:
    """Take the columns away, and make the table again."""
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
    op.drop_column("reply", "left_out")
    op.drop_column("message", "in_reply_to")
