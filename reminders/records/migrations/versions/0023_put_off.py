"""Know since when the other side answers and takes nothing, so that staff hear of it once."""

import sqlalchemy as sa
from alembic import op

from reminders.records.columns import Instant

revision = "0023"
down_revision = "0022"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the columns."""
    op.add_column("queue_health", sa.Column("put_off_since", Instant(), nullable=True))
    op.add_column("queue_health", sa.Column("put_off", sa.Integer(), server_default="0", nullable=False))


def downgrade() -> None:
    """Drop them."""
    op.drop_column("queue_health", "put_off")
    op.drop_column("queue_health", "put_off_since")
