"""Keep the settings that a practice changes on its pages."""

import sqlalchemy as sa
from alembic import op

from reminders.records.sealed_types import SealedJson
from reminders.records.columns import Instant

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the table."""
    op.create_table(
        "practice_setting",
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("section", sa.String(), nullable=False),
        sa.Column("values", SealedJson("practice_setting.values"), nullable=False),
        sa.Column("changed_by", sa.String(), nullable=False),
        sa.Column("changed_at", Instant(), nullable=False),
        sa.Column("puts_back", sa.Integer(), nullable=True),
        sa.CheckConstraint("version > 0", name=op.f("ck_practice_setting_version")),
        sa.ForeignKeyConstraint(["practice_id"], ["practice.id"], name=op.f("fk_practice_setting_practice_id")),
        sa.PrimaryKeyConstraint("practice_id", "version", name=op.f("pk_practice_setting")),
    )


def downgrade() -> None:
    """Take it away again."""
    op.drop_table("practice_setting")
