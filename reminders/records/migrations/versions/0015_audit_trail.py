"""Keep an audit trail that the database lets nobody change; legal holds; addresses that outlive their patients."""

import sqlalchemy as sa
from alembic import op

from reminders.records.sealed_types import Sealed
from reminders.records.columns import BigId, Instant
from reminders.records.tables_audit import POSTGRESQL_GUARDS, SQLITE_GUARDS

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the tables, and the triggers that guard two of them."""
    op.create_table(
        "audit_entry",
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("sequence", BigId, autoincrement=False, nullable=False),
        sa.Column("at", Instant(), nullable=False),
        sa.Column("who_kind", sa.String(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("action", sa.String(), nullable=False),
        sa.Column("patient_id", BigId, nullable=True),
        sa.Column("about", sa.String(), nullable=False),
        sa.Column("outcome", sa.String(), nullable=False),
        sa.Column("details", sa.String(), nullable=False),
        sa.Column("previous", sa.String(), nullable=False),
        sa.Column("hash", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("practice_id", "sequence", name=op.f("pk_audit_entry")),
    )
    op.create_index(
        "ix_audit_entry_patient",
        "audit_entry",
        ["practice_id", "patient_id", "sequence"],
        sqlite_where=sa.text("patient_id IS NOT NULL"),
        postgresql_where=sa.text("patient_id IS NOT NULL"),
    )
    op.create_index("ix_audit_entry_at", "audit_entry", ["practice_id", "at"])
    op.create_table(
        "audit_head",
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("sequence", BigId, nullable=False),
        sa.Column("hash", sa.String(), nullable=False),
        sa.Column("purged_through", BigId, nullable=False, server_default="0"),
        sa.PrimaryKeyConstraint("practice_id", name=op.f("pk_audit_head")),
    )
    op.create_table(
        "legal_hold",
        sa.Column("patient_id", BigId, autoincrement=False, nullable=False),
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("reason", Sealed("legal_hold.reason"), nullable=False),
        sa.Column("placed_by", sa.String(), nullable=False),
        sa.Column("placed_at", Instant(), nullable=False),
        sa.ForeignKeyConstraint(["patient_id"], ["patient.id"], name=op.f("fk_legal_hold_patient_id")),
        sa.PrimaryKeyConstraint("patient_id", name=op.f("pk_legal_hold")),
    )
    op.create_table(
        "silenced_address",
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("channel", sa.String(), nullable=False),
        sa.Column("address_key", sa.String(), nullable=False),
        sa.Column("since", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("practice_id", "channel", "address_key", name=op.f("pk_silenced_address")),
    )
    for statement in SQLITE_GUARDS if op.get_bind().dialect.name == "sqlite" else POSTGRESQL_GUARDS:
        op.execute(sa.text(statement))


def downgrade() -> None:
    """Refuse: an audit trail that a step back throws away is none."""
    raise NotImplementedError("the audit trail is not thrown away; restore an older backup")
