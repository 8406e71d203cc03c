"""Notes in the audit trail that the program started with other settings than last time: which sections, not what."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from reminders.desk.composing import Desk
from reminders.desk.trail import Action, note_change
from reminders.records import audit
from reminders.records.audit import Wanted
from reminders.records.database import Database

_DIGITS = 16
"""Of a digest: enough to tell that a section differs. Secrets are not in the configuration, so none is hashed."""


def note_settings(database: Database, desk: Desk, config: Mapping[str, Any]) -> tuple[str, ...]:
    """Note which sections of the configuration differ from when that was noted last; nothing when none does.

    `config` is the configuration as plain values, a section under each name. Returns the sections that differ.
    """
    sections = {name: _digest(value) for name, value in config.items()}
    with database.writing() as session:
        wanted = Wanted(action=Action.SETTINGS_CHANGE)
        last = audit.find_entries(session, desk.practice_id, wanted, limit=1)
        before: dict[str, str] = json.loads(last[0].details)["sections"] if last else {}
        changed = tuple(sorted(name for name in {*sections, *before} if sections.get(name) != before.get(name)))
        if changed:
            details = {"sections": sections, "changed": list(changed) if last else []}
            note_change(session, desk, Action.SETTINGS_CHANGE, (None, ", ".join(changed) if last else ""), details)
    return changed


def _digest(value: Any) -> str:
    return hashlib.sha256(json.dumps(value, sort_keys=True, default=str).encode()).hexdigest()[:_DIGITS]
