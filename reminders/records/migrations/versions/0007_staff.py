"""Keep who works here, their links, sign-ins, and forms typed when a sign-in ran out."""

import sqlalchemy as sa
from alembic import op

from reminders.records.columns import BigId, Instant

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add four tables."""
    op.create_table(
        "staff_member",
        sa.Column("id", BigId, nullable=False),
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("login", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("license", sa.String(), nullable=False),
        sa.Column("roles", sa.JSON(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("password_hash", sa.String(), nullable=True),
        sa.Column("totp_secret", sa.String(), nullable=True),
        sa.Column("totp_step", BigId, server_default="0", nullable=False),
        sa.Column("failures", sa.Integer(), server_default="0", nullable=False),
        sa.Column("locked_until", Instant(), nullable=True),
        sa.Column("created_at", Instant(), nullable=False),
        sa.CheckConstraint("state IN ('invited', 'active', 'closed')", name="ck_staff_member_state"),
        sa.ForeignKeyConstraint(["practice_id"], ["practice.id"], name=op.f("fk_staff_member_practice_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_staff_member")),
        sa.UniqueConstraint("practice_id", "login", name=op.f("uq_staff_member_practice_id_login")),
        sa.UniqueConstraint("practice_id", "name", name=op.f("uq_staff_member_practice_id_name")),
    )
    op.create_table(
        "staff_link",
        sa.Column("token_hash", sa.String(), nullable=False),
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("staff_id", BigId, nullable=True),
        sa.Column("expires_at", Instant(), nullable=False),
        sa.Column("used_at", Instant(), nullable=True),
        sa.ForeignKeyConstraint(["staff_id"], ["staff_member.id"], name=op.f("fk_staff_link_staff_id")),
        sa.PrimaryKeyConstraint("token_hash", name=op.f("pk_staff_link")),
    )
    op.create_index("ix_staff_link_staff_id", "staff_link", ["staff_id"])
    op.create_table(
        "staff_session",
        sa.Column("token_hash", sa.String(), nullable=False),
        sa.Column("staff_id", BigId, nullable=False),
        sa.Column("csrf", sa.String(), nullable=False),
        sa.Column("started_at", Instant(), nullable=False),
        sa.Column("seen_at", Instant(), nullable=False),
        sa.Column("ends_at", Instant(), nullable=False),
        sa.ForeignKeyConstraint(["staff_id"], ["staff_member.id"], name=op.f("fk_staff_session_staff_id")),
        sa.PrimaryKeyConstraint("token_hash", name=op.f("pk_staff_session")),
    )
    op.create_index("ix_staff_session_staff", "staff_session", ["staff_id", "ends_at"])
    op.create_table(
        "kept_form",
        sa.Column("staff_id", BigId, nullable=False),
        sa.Column("path", sa.String(), nullable=False),
        sa.Column("fields", sa.JSON(), nullable=False),
        sa.Column("kept_at", Instant(), nullable=False),
        sa.ForeignKeyConstraint(["staff_id"], ["staff_member.id"], name=op.f("fk_kept_form_staff_id")),
        sa.PrimaryKeyConstraint("staff_id", name=op.f("pk_kept_form")),
    )


def downgrade() -> None:
    """Take them away again."""
    op.drop_table("kept_form")
    op.drop_index("ix_staff_session_staff", "staff_session")
    op.drop_table("staff_session")
    op.drop_index("ix_staff_link_staff_id", "staff_link")
    op.drop_table("staff_link")
    op.drop_table("staff_member")
