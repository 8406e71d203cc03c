"""Let every row carry its practice, also those that hang on rows that do."""

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None

_OF_PARENT = {
    "concern_event": ("concern", "id", "concern_id"),
    "message_part": ("message", "id", "message_id"),
    "patient_page": ("enrollment", "id", "enrollment_id"),
    "visit": ("enrollment", "id", "enrollment_id"),
    "staff_session": ("staff_member", "id", "staff_id"),
    "kept_form": ("staff_member", "id", "staff_id"),
    "api_answer": ("api_key", "id", "api_key_id"),
}
_WITHOUT_PARENT = ("early_receipt", "reply_part")
_COLUMN = ",\n\tpractice_id VARCHAR NOT NULL"
_SEGMENT = ("sender_key", "recipient", "reference", "total", "number")
_SEGMENT_BEFORE = f"uq_reply_part_{'_'.join(_SEGMENT)}"


def upgrade() -> None:
    """Add the column, and fill it from the row that each hangs on.

    What hangs on none lives for hours only: a receipt finds its message's practice by the reference; for the rest it
    is the practice that there is, or the first of several.
    """
    for table, (parent, key, column) in _OF_PARENT.items():
        _add(table, f"(SELECT p.practice_id FROM {parent} p WHERE p.{key} = {{of}}.{column})")
    by_ref = "SELECT m.practice_id FROM {table} m WHERE m.{ref} = {{of}}.ref AND m.transport = {{of}}.transport"
    known = (f"({by_ref.format(table=t, ref=r)} LIMIT 1)" for t, r in (("message", "transport_ref"), ("message_part", "ref")))
    first = "(SELECT min(id) FROM practice)"
    _add("early_receipt", f"coalesce({', '.join(known)}, {first})")
    _add("reply_part", first)
    if op.get_bind().dialect.name == "postgresql":
        op.drop_constraint(_SEGMENT_BEFORE, "reply_part")
        op.create_unique_constraint("uq_reply_part_segment", "reply_part", ["practice_id", *_SEGMENT])


def downgrade() -> None:
    """Take the column away again."""
    if op.get_bind().dialect.name == "postgresql":
        op.drop_constraint("uq_reply_part_segment", "reply_part")
        op.create_unique_constraint(_SEGMENT_BEFORE, "reply_part", list(_SEGMENT))
    for table in (*_OF_PARENT, *_WITHOUT_PARENT):
        if op.get_bind().dialect.name == "sqlite":
            _remake(table, value=None)
        else:
            op.drop_column(table, "practice_id")


def _add(table: str, value: str) -> None:
    if op.get_bind().dialect.name == "sqlite":
        _remake(table, value=value)
        return
    op.add_column(table, sa.Column("practice_id", sa.String(), nullable=True))
    op.execute(f"UPDATE {table} SET practice_id = {value.format(of=table)}")  # noqa: S608  our own names
    op.alter_column(table, "practice_id", nullable=False)


def _remake(table: str, *, value: str | None) -> None:
    """Make a table anew with the column, or without: SQLite adds none that every row has to fill."""
    run = op.get_bind().exec_driver_sql
    before = f"{table}_before"
    made = run(f"SELECT sql FROM sqlite_master WHERE type = 'table' AND name = '{table}'").scalar_one()
    indexes = run(f"SELECT name, sql FROM sqlite_master WHERE tbl_name = '{table}' AND sql LIKE 'CREATE %INDEX%'").all()
    names = [f'"{row[1]}"' for row in run(f"PRAGMA table_info({table})")]
    changes = [(",", f"{_COLUMN},"), (f"{_SEGMENT_BEFORE} UNIQUE (", "uq_reply_part_segment UNIQUE (practice_id, ")]
    if value is None:
        changes = [(f"{_COLUMN},", ","), *((new, old) for old, new in changes[1:])]
        names.remove('"practice_id"')
    run(f"ALTER TABLE {table} RENAME TO {before}")
    for name, _ in indexes:
        run(f"DROP INDEX {name}")
    for old, new in changes:
        made = made.replace(old, new, 1)
    run(made)
    into, found = ", ".join(names), ", ".join(names)
    if value is not None:
        into, found = f"practice_id, {into}", f"{value.format(of=before)}, {found}"
    run(f"INSERT INTO {table} ({into}) SELECT {found} FROM {before}")
    run(f"DROP TABLE {before}")
    for _, sql in indexes:
        run(sql)
