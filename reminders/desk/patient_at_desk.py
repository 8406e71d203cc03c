"""The patient who stands at the desk: found among those known, or added, with addresses and consent."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from reminders.care.values import Channel, Course
from reminders.desk.composing import Desk
from reminders.desk.statement import Statement
from reminders.errors import InputError
from reminders.records import people
from reminders.records.people import ConsentLine, Holder
from reminders.records.silenced import silenced_among
from reminders.words import gettext

SILENCED = "silenced"
"""The state of an address of whose owner nothing is left but that they asked for silence."""


@dataclass(frozen=True, kw_only=True)
class Person:
    """Who is enrolled, as read from what the desk typed."""

    first_name: str
    last_name: str
    addresses: Mapping[Channel, str]
    course: Course
    """Whose language, zone, times of day and agreement about the night are the person's own."""
    consent: Statement


@dataclass(frozen=True, kw_only=True)
class Recognised:
    """What the records say about a person."""

    patient_id: int | None
    """None when they are not known yet."""
    warnings: tuple[str, ...]


def recognise(person: Person, holders: Mapping[Channel, Mapping[str, Sequence[Holder]]]) -> Recognised:
    """Look for the person among the patients who have one of the addresses, by channel and address.

    Relatives share a number, so the name decides, without regard to case. Raises InputError when whoever holds an
    address wrote that it is not this patient's.
    """
    found_at = {channel: holders[channel].get(address, ()) for channel, address in person.addresses.items()}
    same = [each for found in found_at.values() for each in found if _is_same(each, person)]
    patient_id = min((each.patient_id for each in same), default=None)
    warnings: list[str] = []
    for channel, found in found_at.items():
        released = {each.patient_id for each in found if each.contact_state == "released"}
        what = gettext("number") if channel is Channel.SMS else gettext("address")
        if patient_id in released:
            raise InputError(
                gettext(
                    "whoever holds this {what} wrote that it is not this patient's; ask for the right one, or "
                    "record consent for it first if it is theirs after all",
                    what=what,
                )
            )
        if any(each.contact_state == SILENCED for each in found):
            warnings.append(
                gettext(
                    "whoever holds this {what} once asked for no messages, so none is sent there; if they agree now, "
                    "record consent for it by itself",
                    what=what,
                )
            )
        if released:
            warnings.append(
                gettext(
                    "whoever holds this {what} once wrote that it is not another patient's; check its digits", what=what
                )
            )
    return Recognised(patient_id=patient_id, warnings=tuple(warnings))


def put_on_record(
    session: Session, desk: Desk, people_at_desk: Sequence[tuple[Person, int | None]], *, at: datetime
) -> list[int]:
    """Add people, or bring known patients up to date; their addresses are usable now, by the consent given.

    But not one whose owner asked for silence and was deleted since: their own word, recorded by itself, ends that. A
    list that somebody imports does not. Returns the patients' ids in the same order. Nobody may be among them twice.
    """
    silent = _silent_among(session, desk, [person for person, _known_as in people_at_desk])
    strangers = [person for person, known_as in people_at_desk if known_as is None]
    added = iter(people.add_patients(session, [_new_patient(desk, person, at) for person in strangers]))
    found = [(person, next(added) if known_as is None else known_as) for person, known_as in people_at_desk]
    new_contacts: list[dict[str, Any]] = []
    for (person, patient_id), (_person, known_as) in zip(found, people_at_desk, strict=True):
        if known_as is None:
            new_contacts += _new_contacts(desk, person, patient_id, silent)
        else:
            _bring_up_to_date(session, desk, person, patient_id, silent)
    people.add_contacts(session, new_contacts)
    people.add_consent(session, *(line for each in found for line in _consent_of(desk, *each, at)))
    return [patient_id for _person, patient_id in found]


def _new_patient(desk: Desk, person: Person, at: datetime) -> dict[str, Any]:
    return {
        "practice_id": desk.practice_id,
        "first_name": person.first_name,
        "last_name": person.last_name,
        "created_at": at,
        **wishes_of(person.course),
    }


def _new_contacts(desk: Desk, person: Person, patient_id: int, silent: Collection[str]) -> list[dict[str, Any]]:
    return [
        {
            "practice_id": desk.practice_id,
            "patient_id": patient_id,
            "channel": channel.value,
            "address": address,
            "state": "stopped" if address in silent else "active",
        }
        for channel, address in person.addresses.items()
    ]


def _consent_of(desk: Desk, person: Person, patient_id: int, at: datetime) -> list[ConsentLine]:
    return [
        ConsentLine(
            practice_id=desk.practice_id,
            patient_id=patient_id,
            channel=channel.value,
            address=address,
            action="given",
            source="desk",
            wording=person.consent.wording,
            recorded_by=person.consent.recorded_by,
            at=at,
        )
        for channel, address in person.addresses.items()
    ]


def _bring_up_to_date(session: Session, desk: Desk, person: Person, patient_id: int, silent: Collection[str]) -> None:
    people.set_patient(session, patient_id, **wishes_of(person.course))
    for channel, address in person.addresses.items():
        contact = people.put_contact(session, desk.practice_id, patient_id, channel.value, address)
        if address in silent:
            contact.state = "stopped"


def _silent_among(session: Session, desk: Desk, persons: Sequence[Person]) -> frozenset[str]:
    by_channel: dict[Channel, list[str]] = {}
    for person in persons:
        for channel, address in person.addresses.items():
            by_channel.setdefault(channel, []).append(address)
    found = (
        silenced_among(session, desk.practice_id, channel.value, addresses) for channel, addresses in by_channel.items()
    )
    return frozenset().union(*found)


def wishes_of(course: Course) -> dict[str, Any]:
    """Return the columns of a patient that follow from a course."""
    return {
        "language": course.language,
        "zone": course.zone.key,
        "slots": {slot.value: f"{wall:%H:%M}" for slot, wall in course.slots.items()},
        "night_contact_agreed": course.night_contact_agreed,
    }


def _is_same(holder: Holder, person: Person) -> bool:
    return (holder.first_name.casefold(), holder.last_name.casefold()) == (
        person.first_name.casefold(),
        person.last_name.casefold(),
    )
