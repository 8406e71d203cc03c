"""Knows which addresses want no messages although nothing else is kept about their owners: by keyed hashes alone."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from sqlalchemy import delete, func, insert, select
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from reminders.records.sealed_types import seals_of
from reminders.records.tables_audit import SILENCED

_CONTACTS = SQLModel.metadata.tables["contact"]
_CONSENTS = SQLModel.metadata.tables["consent_event"]
_PATIENTS = SQLModel.metadata.tables["patient"]
SILENT = ("stopped", "released")


def silence_addresses_of(session: Session, patient_ids: Sequence[int]) -> None:
    """Keep of patients who are about to be deleted which of their addresses were stopped or belong to others."""
    asked_at = (
        select(func.max(_CONSENTS.c.at, type_=_CONSENTS.c.at.type))
        .where(_CONSENTS.c.patient_id == _CONTACTS.c.patient_id)
        .scalar_subquery()
    )
    rows = session.execute(
        select(
            _CONTACTS.c.practice_id,
            _CONTACTS.c.channel,
            _CONTACTS.c.address_key,
            func.coalesce(asked_at, _PATIENTS.c.created_at, type_=_PATIENTS.c.created_at.type),
        )
        .join(_PATIENTS, _PATIENTS.c.id == _CONTACTS.c.patient_id)
        .where(_CONTACTS.c.patient_id.in_(patient_ids), _CONTACTS.c.state.in_(SILENT))
    )
    wanted = {(practice, channel, bytes(key).hex()): since for practice, channel, key, since in rows if key is not None}
    there = session.execute(select(SILENCED.c.practice_id, SILENCED.c.channel, SILENCED.c.address_key))
    known = {tuple(row) for row in there}
    new = [
        {"practice_id": practice, "channel": channel, "address_key": key, "since": since}
        for (practice, channel, key), since in wanted.items()
        if (practice, channel, key) not in known
    ]
    if new:
        session.execute(insert(SILENCED), new)


def silenced_among(session: Session, practice_id: str, channel: str, addresses: Collection[str]) -> frozenset[str]:
    """Return those of these addresses whose owner asked for silence."""
    by_key = {seals_of(session.get_bind().dialect).hash(each).hex(): each for each in addresses}
    found = session.execute(
        select(SILENCED.c.address_key).where(
            SILENCED.c.practice_id == practice_id,
            SILENCED.c.channel == channel,
            SILENCED.c.address_key.in_(list(by_key)),
        )
    ).scalars()
    return frozenset(by_key[each] for each in found)


def end_silence(session: Session, practice_id: str, channel: str, address: str) -> None:
    """Let an address be written to again, as its owner agreed anew."""
    key = seals_of(session.get_bind().dialect).hash(address).hex()
    session.execute(
        delete(SILENCED).where(
            SILENCED.c.practice_id == practice_id, SILENCED.c.channel == channel, SILENCED.c.address_key == key
        )
    )
