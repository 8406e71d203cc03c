"""What is known of those who wrote, looked up by a few statements for all replies that are taken in together.

In a storm one question for each reply and each thing would take longer than to act on the answers. What is said here
about a patient holds until the transaction ends: nobody else deals with what the same senders wrote meanwhile, and the
rows are objects of the session, so what one reply changes the next one finds.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from reminders.desk.consent import Address
from reminders.records import concerns, courses, people, replies
from reminders.records.people import new_id
from reminders.records.replies import Told
from reminders.records.tables import Contact, Enrollment, Patient
from reminders.records.tables_concerns import Concern

ANSWERED_WITHIN = timedelta(days=3)
"""A reply within this time answers the last message."""


@dataclass(kw_only=True)
class Correspondence:
    """Who has the addresses that replies came from, what they were told, and which concerns they have open."""

    session: Session
    now: datetime
    _contacts: dict[Address, tuple[Contact, ...]] = field(default_factory=dict)
    _patients: dict[int, Patient] = field(default_factory=dict)
    _courses: dict[int, list[Enrollment]] = field(default_factory=dict)
    _told: dict[tuple[str, int], list[Told]] = field(default_factory=dict)
    _concerns: dict[int | Address, Concern | int] = field(default_factory=dict)
    """By patient, or by the address of somebody whom nobody knows; a new one by its id."""

    def look_up(self, places: Collection[Address]) -> None:
        """Learn what is known of whoever writes from these addresses."""
        by_channel: dict[tuple[str, str], list[str]] = {}
        for each in places:
            if each not in self._contacts:
                self._contacts[each] = ()
                by_channel.setdefault((each.practice_id, each.channel), []).append(each.address)
        for (practice_id, channel), addresses in by_channel.items():
            self._look_up(practice_id, channel, addresses)

    def contacts(self, where: Address) -> tuple[Contact, ...]:
        """Return every patient's contact under an address, the newest patient first."""
        self.look_up([where])
        return self._contacts[where]

    def told(self, contacts: Collection[Contact], channel: str) -> list[Told]:
        """Return what these patients were told lately on a channel, the latest first."""
        found = [each for one in contacts for each in self._told.get((channel, one.patient_id), ())]
        return sorted(found, key=lambda each: (each.settled_at or each.send_at, each.id), reverse=True)

    def patient(self, patient_id: int) -> Patient | None:
        """Return one of those patients."""
        return self._patients.get(patient_id)

    def course(self, patient_id: int, enrollment_id: int | None) -> Enrollment | None:
        """Return a course of one of those patients; without its id the newest that runs."""
        mine = self._courses.get(patient_id, ())
        fits = [each for each in mine if each.id == enrollment_id or (enrollment_id is None and each.state == "active")]
        return fits[-1] if fits else None

    def open_concern(self, patient: Patient | None, where: Address) -> Concern | None:
        """Return the open concern about the same trouble: of the patient, else of the unknown sender."""
        found = self._concerns.get(_who(patient, where))
        return concerns.concern_of(self.session, found) if isinstance(found, int) else found

    def note_concern(self, patient: Patient | None, where: Address, concern_id: int) -> None:
        """Remember the concern that a reply opened."""
        self._concerns.setdefault(_who(patient, where), concern_id)

    def _look_up(self, practice_id: str, channel: str, addresses: Collection[str]) -> None:
        for each in people.contacts_at(self.session, practice_id, channel, *addresses):
            where = Address(practice_id=practice_id, channel=channel, address=each.address)
            self._contacts[where] = (*self._contacts[where], each)
        places = [Address(practice_id=practice_id, channel=channel, address=each) for each in addresses]
        ids = {each.patient_id for where in places for each in self._contacts[where] if each.state != "released"}
        self._look_up_patients(ids - self._patients.keys())
        new = {each for each in ids if (channel, each) not in self._told}
        self._told.update({(channel, each): [] for each in new})
        for told in replies.told_to(self.session, new, channel, since=self.now - ANSWERED_WITHIN, until=self.now):
            self._told[channel, told.patient_id].append(told)
        found = concerns.concerns_of_strangers(self.session, practice_id, channel, addresses)
        for address, concern in found.items():
            self._concerns[Address(practice_id=practice_id, channel=channel, address=address)] = concern

    def _look_up_patients(self, ids: Collection[int]) -> None:
        replies.hold_patients(self.session, ids)
        self._patients.update(people.patients_of(self.session, ids))
        self._courses.update(courses.enrollments_of_all(self.session, ids))
        for patient_id, concern in concerns.concerns_to_join(self.session, ids, kind="reply").items():
            self._concerns[patient_id] = concern


def _who(patient: Patient | None, where: Address) -> int | Address:
    return where if patient is None else new_id(patient.id)
