"""Keep receipts that come too early, and segments that wait for their others."""

import sqlalchemy as sa
from alembic import op

from reminders.records.columns import BigId, Instant

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_ARRIVALS = "arrival IN ('underway', 'delivered', 'failed')"


def upgrade() -> None:
    """Create the three tables."""
    op.create_table(
        "message_part",
        sa.Column("id", BigId, nullable=False),
        sa.Column("message_id", BigId, nullable=False),
        sa.Column("whole", sa.String(), nullable=False),
        sa.Column("transport", sa.String(), nullable=False),
        sa.Column("ref", sa.String(), nullable=False),
        sa.Column("arrival", sa.String(), nullable=False),
        sa.CheckConstraint(_ARRIVALS, name=op.f("ck_message_part_arrival")),
        sa.ForeignKeyConstraint(
            ["message_id"], ["message.id"], name=op.f("fk_message_part_message_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_message_part")),
    )
    op.create_index("ix_message_part_ref", "message_part", ["ref", "transport"])
    op.create_index("ix_message_part_whole", "message_part", ["message_id", "whole"])
    op.create_table(
        "early_receipt",
        sa.Column("id", BigId, nullable=False),
        sa.Column("transport", sa.String(), nullable=False),
        sa.Column("ref", sa.String(), nullable=True),
        sa.Column("key", sa.String(), nullable=True),
        sa.Column("arrival", sa.String(), nullable=False),
        sa.Column("detail", sa.String(), nullable=False),
        sa.Column("bad_address", sa.Boolean(), nullable=False),
        sa.Column("received_at", Instant(), nullable=False),
        sa.CheckConstraint("ref IS NOT NULL OR key IS NOT NULL", name=op.f("ck_early_receipt_named")),
        sa.CheckConstraint(_ARRIVALS, name=op.f("ck_early_receipt_arrival")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_early_receipt")),
    )
    op.create_index("ix_early_receipt_received_at", "early_receipt", ["received_at"])
    op.create_table(
        "reply_part",
        sa.Column("id", BigId, nullable=False),
        sa.Column("sender", sa.String(), nullable=False),
        sa.Column("recipient", sa.String(), nullable=False),
        sa.Column("reference", sa.Integer(), nullable=False),
        sa.Column("total", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("data_coding", sa.Integer(), nullable=False),
        sa.Column("shift", sa.String(), nullable=True),
        sa.Column("octets", sa.LargeBinary(), nullable=False),
        sa.Column("received_at", Instant(), nullable=False),
        sa.Column("was_read", sa.Boolean(), nullable=False),
        sa.CheckConstraint("number BETWEEN 1 AND total", name=op.f("ck_reply_part_number")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reply_part")),
        sa.UniqueConstraint(
            "sender",
            "recipient",
            "reference",
            "total",
            "number",
            name=op.f("uq_reply_part_sender_recipient_reference_total_number"),
        ),
    )


def downgrade() -> None:
    """Drop them again."""
    op.drop_table("reply_part")
    op.drop_table("early_receipt")
    op.drop_table("message_part")
