"""Let a claim find the messages of one practice, whatever waits for the others."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

_SCHEDULED = sa.text("state = 'scheduled'")
_SENDING = sa.text("state = 'sending'")
_ORDER = ["channel", "importance", "due_at", "useful_until"]


def upgrade() -> None:
    """Put the practice first in both indexes."""
    _remake(["practice_id", *_ORDER], ["practice_id", "lease_until"])


def downgrade() -> None:
    """Take it out again."""
    _remake(_ORDER, ["lease_until"])


def _remake(due: list[str], leased: list[str]) -> None:
    for name, columns, which in (("ix_message_due", due, _SCHEDULED), ("ix_message_leased", leased, _SENDING)):
        op.drop_index(name, "message")
        op.create_index(name, "message", columns, sqlite_where=which, postgresql_where=which)
