"""Keep which link of a patient's page counts, how often its code was mistyped, and the language of the page."""

import sqlalchemy as sa
from alembic import op

from reminders.records.columns import BigId, Instant

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "patient_page",
        sa.Column("enrollment_id", BigId, autoincrement=False, nullable=False),
        sa.Column("issue", sa.Integer(), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("locked_until", Instant(), nullable=True),
        sa.Column("language", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["enrollment_id"], ["enrollment.id"], name=op.f("fk_patient_page_enrollment_id")),
        sa.PrimaryKeyConstraint("enrollment_id", name=op.f("pk_patient_page")),
    )


def downgrade() -> None:
    """Take it away again."""
    op.drop_table("patient_page")
