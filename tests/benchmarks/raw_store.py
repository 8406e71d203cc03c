"""The limit that the store sets: the same rows through the same states by bare statements of the driver."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from reminders.records.database import Database
from tests.benchmarks.backlog import ALL_DUE, fill, new_database

_OF_EACH = 3_000

_CLAIM = """
UPDATE message SET state = 'sending', claim_token = {p}, lease_until = {p}, handed_at = {p}, transport = 'file',
    attempts = attempts + 1
WHERE id IN (
    SELECT id FROM message
    WHERE state = 'scheduled' AND practice_id = 'main' AND channel = 'sms' AND importance = {p} AND due_at <= {p}
    ORDER BY due_at LIMIT {p} {lock}
)
RETURNING id, address, text
"""
_SETTLE = """
UPDATE message SET state = 'sent', claim_token = NULL, lease_until = NULL, settled_at = {p}, transport_ref = {p}
WHERE id = {p} AND claim_token = {p}
"""
_SETTLE_AT_ONCE = """
UPDATE message SET state = 'sent', claim_token = NULL, lease_until = NULL, settled_at = %s, transport_ref = taken.ref
FROM unnest(%s::bigint[], %s::text[]) AS taken(id, ref) WHERE message.id = taken.id AND claim_token = 'raw'
"""


def states_per_second(database: Database, n: int, batch: int) -> float:
    """Return how many messages a second can be claimed and settled, `batch` of each in one commit, with nobody to send.

    It takes the first messages of the importance that has most, one index range after the other.
    """
    on_postgresql = database.engine.dialect.name == "postgresql"
    moment: Any = ALL_DUE if on_postgresql else int(ALL_DUE.timestamp() * 1_000_000)
    mark = "%s" if on_postgresql else "?"
    claim = _CLAIM.format(p=mark, lock="FOR UPDATE SKIP LOCKED" if on_postgresql else "")
    settle = _SETTLE.format(p=mark)
    connection = database.engine.raw_connection()
    cursor = connection.cursor()
    held: list[tuple[Any, ...]] = []
    level = done = 0
    began = time.perf_counter()
    while done < n or held:
        if not on_postgresql:
            cursor.execute("PRAGMA query_only = OFF")
            cursor.execute("BEGIN IMMEDIATE")
        if held and on_postgresql:
            cursor.execute(_SETTLE_AT_ONCE, (moment, [each[0] for each in held], [f"raw-{each[0]}" for each in held]))
        elif held:
            cursor.executemany(settle, [(moment, f"raw-{each[0]}", each[0], "raw") for each in held])
        held = []
        while done < n and not held and level < 9:
            cursor.execute(claim, ("raw", moment, moment, level + 1, moment, min(batch, n - done)))
            held = [*cursor.fetchall()]
            level += not held
        connection.commit()
        done += len(held)
        if level == 9:
            raise RuntimeError("there are too few messages to measure")
    spent = time.perf_counter() - began
    connection.close()
    return n / spent


def limits_of_batches(url: str | None, folder: Path, batches: Sequence[int]) -> dict[int, float]:
    """Return `states_per_second` for batches of these sizes, in a database of its own; for what is handed over."""
    database = new_database(url, folder)
    fill(database, _OF_EACH * (len(batches) + 1))
    limits = {batch: states_per_second(database, _OF_EACH, batch) for batch in batches}
    database.close()
    return limits


def settled_alone_per_second(database: Database, n: int) -> float:
    """Return how many claimed messages a second can be settled, each in a commit of its own."""
    on_postgresql = database.engine.dialect.name == "postgresql"
    moment: Any = ALL_DUE if on_postgresql else int(ALL_DUE.timestamp() * 1_000_000)
    mark = "%s" if on_postgresql else "?"
    connection = database.engine.raw_connection()
    cursor = connection.cursor()
    if not on_postgresql:
        cursor.execute("PRAGMA query_only = OFF")
        cursor.execute("BEGIN IMMEDIATE")
    held: list[Any] = []
    for level in range(1, 10):
        lock = "FOR UPDATE SKIP LOCKED" if on_postgresql else ""
        cursor.execute(_CLAIM.format(p=mark, lock=lock), ("raw", moment, moment, level, moment, n - len(held)))
        held += cursor.fetchall()
    connection.commit()
    began = time.perf_counter()
    for each in held:
        if not on_postgresql:
            cursor.execute("BEGIN IMMEDIATE")
        cursor.execute(_SETTLE.format(p=mark), (moment, f"raw-{each[0]}", each[0], "raw"))
        connection.commit()
    spent = time.perf_counter() - began
    connection.close()
    return len(held) / spent
