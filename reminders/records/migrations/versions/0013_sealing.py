"""Let personal data be sealed, and what is looked for be found by its hash; the values are sealed after this step."""

import sqlalchemy as sa
from alembic import op

from reminders.records.columns import BigId, Instant

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

_SEALED = {
    "installation": ["link_key"],
    "patient": ["first_name", "last_name"],
    "contact": ["address"],
    "consent_event": ["address", "wording"],
    "enrollment": ["facts"],
    "message": ["address", "subject", "text", "markdown", "reasons", "detail", "in_reply_to"],
    "reply": ["sender", "text", "why", "left_out"],
    "concern": ["summary"],
    "concern_event": ["note"],
    "early_receipt": ["detail"],
    "reply_part": ["sender"],
    "staff_member": ["totp_secret"],
    "kept_form": ["fields"],
    "api_answer": ["body"],
}
_CONTACT_UNIQUE = "uq_contact_patient_id_channel_address"
_PART_UNIQUE = "uq_reply_part_sender_recipient_reference_total_number"


def upgrade() -> None:
    """Make sealed columns octets on PostgreSQL (SQLite keeps what it is given), and add the hashes."""
    op.add_column("installation", sa.Column("look_up_secret", sa.LargeBinary(), nullable=True))
    op.add_column("installation", sa.Column("is_sealed", sa.Boolean(), nullable=False, server_default=sa.false()))
    op.add_column("practice", sa.Column("renamings", sa.Integer(), nullable=False, server_default="0"))
    op.add_column("message", sa.Column("address_key", sa.LargeBinary(), nullable=True))
    op.add_column("reply", sa.Column("sender_key", sa.LargeBinary(), nullable=True))
    if op.get_bind().dialect.name == "sqlite":
        _find_contacts_by_hash_on_sqlite()
        _find_parts_by_hash_on_sqlite()
    else:
        _make_octets()
        _find_by_hash()


def downgrade() -> None:
    """Refuse: what is sealed can't be opened by a step of the schema, which has no key."""
    raise NotImplementedError("sealed data can't be unsealed by a step back; restore an older backup")


def _make_octets() -> None:
    op.execute("ALTER TABLE installation ALTER COLUMN link_key DROP DEFAULT")
    for table, columns in _SEALED.items():
        changed = (f'ALTER COLUMN "{name}" TYPE bytea USING convert_to("{name}"::text, \'UTF8\')' for name in columns)
        op.execute(f"ALTER TABLE {table} {', '.join(changed)}")
    op.execute("ALTER TABLE installation ALTER COLUMN link_key SET DEFAULT ''")


def _find_by_hash() -> None:
    op.drop_index("ix_contact_address", "contact")
    op.drop_constraint(_CONTACT_UNIQUE, "contact")
    op.add_column("contact", sa.Column("address_key", sa.LargeBinary(), nullable=True))
    op.create_unique_constraint(f"{_CONTACT_UNIQUE}_key", "contact", ["patient_id", "channel", "address_key"])
    op.create_index("ix_contact_address_key", "contact", ["practice_id", "channel", "address_key"])
    op.drop_constraint(_PART_UNIQUE, "reply_part")
    op.add_column("reply_part", sa.Column("sender_key", sa.LargeBinary(), nullable=True))
    op.create_unique_constraint(
        "uq_reply_part_sender_key_recipient_reference_total_number",
        "reply_part",
        ["sender_key", "recipient", "reference", "total", "number"],
    )


def _find_contacts_by_hash_on_sqlite() -> None:
    op.drop_index("ix_contact_address", "contact")
    op.rename_table("contact", "contact_before")
    op.create_table(
        "contact",
        sa.Column("id", BigId, nullable=False),
        sa.Column("practice_id", sa.String(), nullable=False),
        sa.Column("patient_id", BigId, nullable=False),
        sa.Column("channel", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("address_key", sa.LargeBinary(), nullable=True),
        sa.Column("state", sa.String(), nullable=False),
        sa.CheckConstraint("state IN ('active', 'stopped', 'released', 'unreachable')", name="ck_contact_state"),
        sa.ForeignKeyConstraint(["patient_id"], ["patient.id"], name=op.f("fk_contact_patient_id")),
        sa.ForeignKeyConstraint(["practice_id"], ["practice.id"], name=op.f("fk_contact_practice_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_contact")),
        sa.UniqueConstraint("patient_id", "channel", "address_key", name=op.f(f"{_CONTACT_UNIQUE}_key")),
    )
    op.create_index("ix_contact_address_key", "contact", ["practice_id", "channel", "address_key"])
    _move("contact", "id, practice_id, patient_id, channel, address, state")


def _find_parts_by_hash_on_sqlite() -> None:
    op.rename_table("reply_part", "reply_part_before")
    op.create_table(
        "reply_part",
        sa.Column("id", BigId, nullable=False),
        sa.Column("sender", sa.String(), nullable=False),
        sa.Column("sender_key", sa.LargeBinary(), nullable=True),
        sa.Column("recipient", sa.String(), nullable=False),
        sa.Column("reference", sa.Integer(), nullable=False),
        sa.Column("total", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("data_coding", sa.Integer(), nullable=False),
        sa.Column("shift", sa.String(), nullable=True),
        sa.Column("octets", sa.LargeBinary(), nullable=False),
        sa.Column("received_at", Instant(), nullable=False),
        sa.Column("was_read", sa.Boolean(), nullable=False),
        sa.CheckConstraint("number BETWEEN 1 AND total", name="ck_reply_part_number"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reply_part")),
        sa.UniqueConstraint(
            "sender_key",
            "recipient",
            "reference",
            "total",
            "number",
            name=op.f("uq_reply_part_sender_key_recipient_reference_total_number"),
        ),
    )
    _move(
        "reply_part",
        "id, sender, recipient, reference, total, number, data_coding, shift, octets, received_at, was_read",
    )


def _move(table: str, columns: str) -> None:
    op.execute(f"INSERT INTO {table} ({columns}) SELECT {columns} FROM {table}_before")  # noqa: S608  our own names
    op.drop_table(f"{table}_before")
