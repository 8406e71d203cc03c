"""Keep the tasks of a course for staff until each becomes a concern."""

import sqlalchemy as sa
from alembic import op

from reminders.records.columns import BigId, Instant

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

_WAITING = sa.text("state = 'waiting'")


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "staff_task",
        sa.Column("enrollment_id", BigId, autoincrement=False, nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("occurrence", sa.Integer(), nullable=False),
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("says", sa.String(), nullable=False),
        sa.Column("due_at", Instant(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("concern_id", BigId, nullable=True),
        sa.CheckConstraint("state IN ('waiting', 'opened', 'cancelled')", name="ck_staff_task_state"),
        sa.CheckConstraint("(state = 'opened') = (concern_id IS NOT NULL)", name="ck_staff_task_opened"),
        sa.ForeignKeyConstraint(["enrollment_id"], ["enrollment.id"], name=op.f("fk_staff_task_enrollment_id")),
        sa.ForeignKeyConstraint(["concern_id"], ["concern.id"], name=op.f("fk_staff_task_concern_id")),
        sa.PrimaryKeyConstraint("enrollment_id", "key", "occurrence", name=op.f("pk_staff_task")),
    )
    op.create_index(
        "ix_staff_task_due", "staff_task", ["practice_id", "due_at"], sqlite_where=_WAITING, postgresql_where=_WAITING
    )


def downgrade() -> None:
    """Take it away again."""
    op.drop_table("staff_task")
