"""Keep each course's visit as calendars hear of it, and the key of the tokens in the addresses that messages hold."""

import secrets

import sqlalchemy as sa
from alembic import op

from reminders.records.columns import BigId, Instant

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table and the key; a database that was named before draws its key now."""
    op.add_column("installation", sa.Column("link_key", sa.String(), nullable=False, server_default=""))
    op.execute(sa.text("UPDATE installation SET link_key = :key").bindparams(key=secrets.token_hex(32)))
    op.create_table(
        "visit",
        sa.Column("enrollment_id", BigId, autoincrement=False, nullable=False),
        sa.Column("starts_at", Instant(), nullable=False),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("changed_at", Instant(), nullable=False),
        sa.Column("is_cancelled", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["enrollment_id"], ["enrollment.id"], name=op.f("fk_visit_enrollment_id")),
        sa.PrimaryKeyConstraint("enrollment_id", name=op.f("pk_visit")),
    )


def downgrade() -> None:
    """Take both away again."""
    op.drop_table("visit")
    op.drop_column("installation", "link_key")
