"""Reads the duty list of the configuration, with every number and address checked."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from reminders.care.quiet_hours import WEEKDAYS
from reminders.config_desk import DutySection, PersonSection
from reminders.desk.duty import Duty, Person, Shift
from reminders.errors import ConfigError, InputError


def duty_of(section: DutySection, *, zone: ZoneInfo, region: str, at: datetime) -> Duty:
    """Return the duty list; raises ConfigError naming each person whose number or address is none."""
    people, faults = {}, []
    for key, person in section.people.items():
        try:
            people[key] = _person(person, zone=zone, region=region, at=at)
        except InputError as error:
            faults.append(f"duty.people.{key}: {error}")
    if faults:
        raise ConfigError("\n".join(faults))
    return Duty(
        zone=zone,
        people=tuple(people.values()),
        shifts=tuple(
            Shift(
                weekdays=frozenset(WEEKDAYS.index(day) for day in shift.days),
                dates=frozenset(shift.dates),
                start_wall=shift.walls()[0],
                end_wall=shift.walls()[1],
                people=tuple(people[key] for key in shift.people),
            )
            for shift in section.shifts
        ),
        emergency_step=timedelta(minutes=section.emergency_step_minutes),
        step=timedelta(minutes=section.step_minutes),
        urgent_take=timedelta(minutes=section.urgent_take_minutes),
        link=section.link,
    )


def _person(section: PersonSection, *, zone: ZoneInfo, region: str, at: datetime) -> Person:
    from reminders.desk.contact_details import parse_email, parse_phone  # noqa: PLC0415  a preview reads no numbers

    phone = parse_phone(section.phone, region=region, zone=zone, at=at).e164 if section.phone else ""
    return Person(name=section.name, phone=phone, email=parse_email(section.email) if section.email else "")
