"""Keep the files of each plan version that a course began with."""

import sqlalchemy as sa
from alembic import op

from reminders.records.columns import Instant

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the table of plan contents."""
    op.create_table(
        "plan_content",
        sa.Column("content_hash", sa.String(), nullable=False),
        sa.Column("procedure", sa.String(), nullable=False),
        sa.Column("files", sa.JSON(), nullable=False),
        sa.Column("kept_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("content_hash", name=op.f("pk_plan_content")),
    )


def downgrade() -> None:
    """Drop it again."""
    op.drop_table("plan_content")
