"""The first tables."""

import sqlalchemy as sa
from alembic import op

from reminders.records.columns import BigId, Instant

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create every table."""
    op.create_table(
        "installation",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.CheckConstraint("id = 1", name="ck_installation_one"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_installation")),
    )
    op.create_table(
        "practice",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("created_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_practice")),
    )
    op.create_table(
        "approval",
        sa.Column("id", BigId, nullable=False),
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("procedure", sa.String(), nullable=False),
        sa.Column("plan_version", sa.Integer(), nullable=False),
        sa.Column("content_hash", sa.String(), nullable=False),
        sa.Column("approved_by", sa.String(), nullable=False),
        sa.Column("license", sa.String(), nullable=False),
        sa.Column("at", Instant(), nullable=False),
        sa.ForeignKeyConstraint(["practice_id"], ["practice.id"], name=op.f("fk_approval_practice_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_approval")),
    )
    op.create_index(op.f("ix_approval_content_hash"), "approval", ["content_hash"], unique=False)
    op.create_index(op.f("ix_approval_procedure"), "approval", ["procedure"], unique=False)
    op.create_table(
        "patient",
        sa.Column("id", BigId, nullable=False),
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("first_name", sa.String(), nullable=False),
        sa.Column("last_name", sa.String(), nullable=False),
        sa.Column("language", sa.String(), nullable=False),
        sa.Column("zone", sa.String(), nullable=False),
        sa.Column("slots", sa.JSON(), nullable=False),
        sa.Column("night_contact_agreed", sa.Boolean(), nullable=False),
        sa.Column("created_at", Instant(), nullable=False),
        sa.ForeignKeyConstraint(["practice_id"], ["practice.id"], name=op.f("fk_patient_practice_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_patient")),
    )
    op.create_index(op.f("ix_patient_practice_id"), "patient", ["practice_id"], unique=False)
    op.create_table(
        "concern",
        sa.Column("id", BigId, nullable=False),
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("patient_id", BigId, nullable=True),
        sa.Column("enrollment_id", BigId, nullable=True),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("about", sa.String(), nullable=True),
        sa.Column("urgency", sa.String(), nullable=False),
        sa.Column("summary", sa.String(), nullable=False),
        sa.Column("signs", sa.JSON(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("opened_at", Instant(), nullable=False),
        sa.Column("due_at", Instant(), nullable=False),
        sa.Column("taken_by", sa.String(), nullable=True),
        sa.Column("closed_at", Instant(), nullable=True),
        sa.Column("outcome", sa.String(), nullable=True),
        sa.CheckConstraint("(state = 'taken') <= (taken_by IS NOT NULL)", name="ck_concern_taken"),
        sa.CheckConstraint("state IN ('open', 'taken', 'closed')", name="ck_concern_state"),
        sa.CheckConstraint("urgency IN ('emergency', 'urgent', 'routine')", name="ck_concern_urgency"),
        sa.ForeignKeyConstraint(["patient_id"], ["patient.id"], name=op.f("fk_concern_patient_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_concern")),
    )
    op.create_index(
        "ix_concern_open",
        "concern",
        ["practice_id", "due_at"],
        unique=False,
        sqlite_where=sa.text("state <> 'closed'"),
        postgresql_where=sa.text("state <> 'closed'"),
    )
    op.create_index(op.f("ix_concern_patient_id"), "concern", ["patient_id"], unique=False)
    op.create_index(
        "uq_concern_about",
        "concern",
        ["practice_id", "kind", "about"],
        unique=True,
        sqlite_where=sa.text("state <> 'closed' AND about IS NOT NULL"),
        postgresql_where=sa.text("state <> 'closed' AND about IS NOT NULL"),
    )
    op.create_table(
        "consent_event",
        sa.Column("id", BigId, nullable=False),
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("patient_id", BigId, nullable=False),
        sa.Column("channel", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("action", sa.String(), nullable=False),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("wording", sa.String(), nullable=False),
        sa.Column("recorded_by", sa.String(), nullable=False),
        sa.Column("at", Instant(), nullable=False),
        sa.ForeignKeyConstraint(["patient_id"], ["patient.id"], name=op.f("fk_consent_event_patient_id")),
        sa.ForeignKeyConstraint(["practice_id"], ["practice.id"], name=op.f("fk_consent_event_practice_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_consent_event")),
    )
    op.create_index(op.f("ix_consent_event_patient_id"), "consent_event", ["patient_id"], unique=False)
    op.create_table(
        "contact",
        sa.Column("id", BigId, nullable=False),
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("patient_id", BigId, nullable=False),
        sa.Column("channel", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.CheckConstraint("state IN ('active', 'stopped', 'released', 'unreachable')", name="ck_contact_state"),
        sa.ForeignKeyConstraint(["patient_id"], ["patient.id"], name=op.f("fk_contact_patient_id")),
        sa.ForeignKeyConstraint(["practice_id"], ["practice.id"], name=op.f("fk_contact_practice_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_contact")),
        sa.UniqueConstraint("patient_id", "channel", "address", name=op.f("uq_contact_patient_id_channel_address")),
    )
    op.create_index("ix_contact_address", "contact", ["practice_id", "channel", "address"], unique=False)
    op.create_table(
        "enrollment",
        sa.Column("id", BigId, nullable=False),
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("patient_id", BigId, nullable=False),
        sa.Column("procedure", sa.String(), nullable=False),
        sa.Column("plan_version", sa.Integer(), nullable=False),
        sa.Column("content_hash", sa.String(), nullable=False),
        sa.Column("procedure_on", sa.Date(), nullable=False),
        sa.Column("procedure_end", Instant(), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("enrolled_by", sa.String(), nullable=False),
        sa.Column("enrolled_at", Instant(), nullable=False),
        sa.Column("ended_at", Instant(), nullable=True),
        sa.CheckConstraint("state IN ('active', 'ended', 'cancelled')", name="ck_enrollment_state"),
        sa.ForeignKeyConstraint(["patient_id"], ["patient.id"], name=op.f("fk_enrollment_patient_id")),
        sa.ForeignKeyConstraint(["practice_id"], ["practice.id"], name=op.f("fk_enrollment_practice_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_enrollment")),
    )
    op.create_index("ix_enrollment_patient", "enrollment", ["patient_id", "procedure", "procedure_on"], unique=False)
    op.create_index(op.f("ix_enrollment_practice_id"), "enrollment", ["practice_id"], unique=False)
    op.create_table(
        "reply",
        sa.Column("id", BigId, nullable=False),
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("patient_id", BigId, nullable=True),
        sa.Column("enrollment_id", BigId, nullable=True),
        sa.Column("message_id", BigId, nullable=True),
        sa.Column("channel", sa.String(), nullable=False),
        sa.Column("sender", sa.String(), nullable=False),
        sa.Column("text", sa.String(), nullable=False),
        sa.Column("gateway_ref", sa.String(), nullable=True),
        sa.Column("received_at", Instant(), nullable=False),
        sa.Column("after", sa.String(), nullable=False),
        sa.Column("label", sa.String(), nullable=False),
        sa.Column("signs", sa.JSON(), nullable=False),
        sa.Column("why", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["patient_id"], ["patient.id"], name=op.f("fk_reply_patient_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reply")),
        sa.UniqueConstraint(
            "practice_id", "channel", "gateway_ref", name=op.f("uq_reply_practice_id_channel_gateway_ref")
        ),
    )
    op.create_index(op.f("ix_reply_patient_id"), "reply", ["patient_id"], unique=False)
    op.create_table(
        "concern_event",
        sa.Column("id", BigId, nullable=False),
        sa.Column("concern_id", BigId, nullable=False),
        sa.Column("action", sa.String(), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("reply_id", BigId, nullable=True),
        sa.Column("at", Instant(), nullable=False),
        sa.ForeignKeyConstraint(["concern_id"], ["concern.id"], name=op.f("fk_concern_event_concern_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_concern_event")),
    )
    op.create_index(op.f("ix_concern_event_concern_id"), "concern_event", ["concern_id"], unique=False)
    op.create_table(
        "message",
        sa.Column("id", BigId, nullable=False),
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("patient_id", BigId, nullable=True),
        sa.Column("enrollment_id", BigId, nullable=True),
        sa.Column("answers_reply_id", BigId, nullable=True),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("occurrence", sa.Integer(), nullable=False),
        sa.Column("text_name", sa.String(), nullable=False),
        sa.Column("joined_into", sa.String(), nullable=True),
        sa.Column("channel", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("language", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("planned_at", Instant(), nullable=False),
        sa.Column("send_at", Instant(), nullable=False),
        sa.Column("due_at", Instant(), nullable=False),
        sa.Column("useful_until", Instant(), nullable=False),
        sa.Column("required", sa.Boolean(), nullable=False),
        sa.Column("importance", sa.Integer(), nullable=False),
        sa.Column("in_doubt", sa.String(), nullable=False),
        sa.Column("asks", sa.String(), nullable=True),
        sa.Column("subject", sa.String(), nullable=True),
        sa.Column("text", sa.String(), nullable=False),
        sa.Column("markdown", sa.String(), nullable=True),
        sa.Column("encoding", sa.String(), nullable=True),
        sa.Column("segments", sa.Integer(), nullable=False),
        sa.Column("reasons", sa.JSON(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("claim_token", sa.String(), nullable=True),
        sa.Column("lease_until", Instant(), nullable=True),
        sa.Column("handed_at", Instant(), nullable=True),
        sa.Column("settled_at", Instant(), nullable=True),
        sa.Column("transport", sa.String(), nullable=True),
        sa.Column("transport_ref", sa.String(), nullable=True),
        sa.Column("detail", sa.String(), nullable=True),
        sa.CheckConstraint("(state = 'sending') = (claim_token IS NOT NULL)", name="ck_message_claim"),
        sa.CheckConstraint("in_doubt IN ('resend', 'hold')", name="ck_message_in_doubt"),
        sa.CheckConstraint("kind <> 'instruction' OR enrollment_id IS NOT NULL", name="ck_message_course"),
        sa.CheckConstraint("kind = 'instruction' OR kind = 'answer' OR kind = 'staff'", name="ck_message_kind"),
        sa.CheckConstraint("state <> 'joined' OR joined_into IS NOT NULL", name="ck_message_joined"),
        sa.CheckConstraint(
            "state <> 'sending' OR (lease_until IS NOT NULL AND handed_at IS NOT NULL)", name="ck_message_lease"
        ),
        sa.CheckConstraint(
            "state = 'scheduled' OR state = 'sending' OR state = 'sent' OR state = 'delivered' OR state = 'failed' OR "
            "state = 'uncertain' OR state = 'withheld' OR state = 'cancelled' OR state = 'joined' OR state = 'at_checkout'",
            name="ck_message_state",
        ),
        sa.CheckConstraint("state NOT IN ('sent', 'uncertain') OR handed_at IS NOT NULL", name="ck_message_handed"),
        sa.CheckConstraint("importance BETWEEN 1 AND 9", name="ck_message_importance"),
        sa.ForeignKeyConstraint(["answers_reply_id"], ["reply.id"], name=op.f("fk_message_answers_reply_id")),
        sa.ForeignKeyConstraint(["enrollment_id"], ["enrollment.id"], name=op.f("fk_message_enrollment_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_message")),
        sa.UniqueConstraint("enrollment_id", "key", "occurrence", name=op.f("uq_message_enrollment_id_key_occurrence")),
        postgresql_with={
            "autovacuum_vacuum_scale_factor": "0.01",
            "autovacuum_vacuum_threshold": "5000",
            "autovacuum_vacuum_cost_delay": "0",
            "autovacuum_analyze_scale_factor": "0.02",
        },
    )
    op.create_index(
        "ix_message_due",
        "message",
        ["channel", "importance", "due_at", "useful_until"],
        unique=False,
        sqlite_where=sa.text("state = 'scheduled'"),
        postgresql_where=sa.text("state = 'scheduled'"),
    )
    op.create_index(
        "ix_message_leased",
        "message",
        ["lease_until"],
        unique=False,
        sqlite_where=sa.text("state = 'sending'"),
        postgresql_where=sa.text("state = 'sending'"),
    )
    op.create_index(
        "ix_message_patient",
        "message",
        ["patient_id", "settled_at"],
        unique=False,
        sqlite_where=sa.text("settled_at IS NOT NULL"),
        postgresql_where=sa.text("settled_at IS NOT NULL"),
    )
    op.create_index(
        "ix_message_ref",
        "message",
        ["transport_ref"],
        unique=False,
        sqlite_where=sa.text("transport_ref IS NOT NULL"),
        postgresql_where=sa.text("transport_ref IS NOT NULL"),
    )
    op.create_index(
        "uq_message_answer",
        "message",
        ["answers_reply_id", "key"],
        unique=True,
        sqlite_where=sa.text("answers_reply_id IS NOT NULL"),
        postgresql_where=sa.text("answers_reply_id IS NOT NULL"),
    )


def downgrade() -> None:
    """Drop every table."""
    for name in (
        "message",
        "concern_event",
        "reply",
        "enrollment",
        "contact",
        "consent_event",
        "concern",
        "patient",
        "approval",
        "practice",
        "installation",
    ):
        op.drop_table(name)
