"""Find what the page of the day counts by indexes: running courses, failed messages, unanswered questions."""

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None

_INDEXES = (
    ("ix_enrollment_active", "enrollment", ("practice_id", "procedure_end"), "state = 'active'"),
    ("ix_message_failed", "message", ("enrollment_id",), "state = 'failed'"),
    ("ix_message_unanswered", "message", ("enrollment_id", "unanswered_at"), "unanswered_at IS NOT NULL"),
)


def upgrade() -> None:
    """Create the indexes."""
    for name, table, columns, where in _INDEXES:
        op.create_index(name, table, columns, sqlite_where=sa.text(where), postgresql_where=sa.text(where))


def downgrade() -> None:
    """Drop them."""
    for name, table, _, _ in _INDEXES:
        op.drop_index(name, table)
