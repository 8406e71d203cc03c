"""Find what was closed lately by an index, however many concerns a practice ever had."""

import sqlalchemy as sa
from alembic import op

revision = "0022"
down_revision = "0021"
branch_labels = None
depends_on = None
_CLOSED = sa.text("state = 'closed'")


def upgrade() -> None:
    """Add the index."""
    op.create_index(
        "ix_concern_closed",
        "concern",
        ["practice_id", "closed_at"],
        sqlite_where=_CLOSED,
        postgresql_where=_CLOSED,
    )


def downgrade() -> None:
    """Drop it."""
    op.drop_index("ix_concern_closed", "concern")
