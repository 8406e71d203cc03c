"""Keep patients whom another system told of until the front desk enrolls or dismisses them."""

import sqlalchemy as sa
from alembic import op

from reminders.records.sealed_types import LookUp, Sealed, SealedJson
from reminders.records.columns import BigId, Instant

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "waiting_patient",
        sa.Column("id", BigId, nullable=False),
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("reference", Sealed("waiting_patient.reference"), nullable=False),
        sa.Column("reference_key", LookUp("reference"), nullable=True),
        sa.Column("told", SealedJson("waiting_patient.told"), nullable=False),
        sa.Column("told_at", Instant(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("enrollment_id", BigId, nullable=True),
        sa.Column("decided_by", sa.String(), nullable=True),
        sa.Column("decided_at", Instant(), nullable=True),
        sa.CheckConstraint("state IN ('waiting', 'enrolled', 'dismissed')", name=op.f("ck_waiting_patient_state")),
        sa.CheckConstraint(
            "(state = 'enrolled') = (enrollment_id IS NOT NULL)", name=op.f("ck_waiting_patient_enrolled")
        ),
        sa.ForeignKeyConstraint(["practice_id"], ["practice.id"], name=op.f("fk_waiting_patient_practice_id")),
        sa.ForeignKeyConstraint(["enrollment_id"], ["enrollment.id"], name=op.f("fk_waiting_patient_enrollment_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_waiting_patient")),
        sa.UniqueConstraint(
            "practice_id", "reference_key", name=op.f("uq_waiting_patient_practice_id_reference_key")
        ),
    )
    op.create_index(
        "ix_waiting_patient",
        "waiting_patient",
        ["practice_id", "told_at"],
        sqlite_where=sa.text("state = 'waiting'"),
        postgresql_where=sa.text("state = 'waiting'"),
    )


def downgrade() -> None:
    """Take it away again."""
    op.drop_table("waiting_patient")
