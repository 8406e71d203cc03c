"""Keep the keys of other programs and what their calls were answered; find messages by time."""

import sqlalchemy as sa
from alembic import op

from reminders.records.columns import BigId, Instant

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create two tables and an index."""
    op.create_table(
        "api_key",
        sa.Column("id", BigId, nullable=False),
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("prefix", sa.String(), nullable=False),
        sa.Column("secret_hash", sa.String(), nullable=False),
        sa.Column("scopes", sa.JSON(), nullable=False),
        sa.Column("created_by", sa.String(), nullable=False),
        sa.Column("created_at", Instant(), nullable=False),
        sa.Column("expires_at", Instant(), nullable=True),
        sa.Column("revoked_at", Instant(), nullable=True),
        sa.Column("last_used_on", sa.Date(), nullable=True),
        sa.ForeignKeyConstraint(["practice_id"], ["practice.id"], name=op.f("fk_api_key_practice_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_api_key")),
        sa.UniqueConstraint("practice_id", "name", name=op.f("uq_api_key_practice_id_name")),
        sa.UniqueConstraint("prefix", name=op.f("uq_api_key_prefix")),
    )
    op.create_table(
        "api_answer",
        sa.Column("api_key_id", BigId, autoincrement=False, nullable=False),
        sa.Column("idempotency_key", sa.String(), nullable=False),
        sa.Column("fingerprint", sa.String(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("headers", sa.JSON(), nullable=False),
        sa.Column("body", sa.String(), nullable=False),
        sa.Column("at", Instant(), nullable=False),
        sa.ForeignKeyConstraint(["api_key_id"], ["api_key.id"], name=op.f("fk_api_answer_api_key_id")),
        sa.PrimaryKeyConstraint("api_key_id", "idempotency_key", name=op.f("pk_api_answer")),
    )
    op.create_index(op.f("ix_api_answer_at"), "api_answer", ["at"])
    op.create_index("ix_message_send", "message", ["practice_id", "send_at", "id"])


def downgrade() -> None:
    """Take them away again."""
    op.drop_index("ix_message_send", "message")
    op.drop_table("api_answer")
    op.drop_table("api_key")
