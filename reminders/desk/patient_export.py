"""Everything that is kept about one patient, for their own copy (45 CFR 164.524): as JSON, or as a page to read."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from html import escape
from typing import Any

from sqlalchemy.orm import Session

from reminders.care.timing import as_text
from reminders.desk.chart_record import chart_record
from reminders.desk.composing import Desk
from reminders.desk.concern_list import concerns_about, said_by_patient
from reminders.desk.consent import consent_state
from reminders.desk.holds import found_patient
from reminders.desk.message_list import full_name, listed
from reminders.desk.shapes import (
    concern_as_json,
    consents_as_json,
    message_as_json,
    record_as_json,
    replies_as_json,
)
from reminders.desk.trail import Action, note_change
from reminders.records import finding, replies, traces
from reminders.words import gettext, language

_STYLE = """
body { font: 10pt/1.4 sans-serif; color: #111; background: #fff; max-width: 62rem; margin: 0 auto; padding: 1rem; }
dl { display: grid; grid-template-columns: minmax(8rem, 14rem) 1fr; gap: .1rem .8rem; margin: .2rem 0 .6rem; }
dt { color: #444; } dd { margin: 0; white-space: pre-line; overflow-wrap: anywhere; }
ol { padding-left: 1.4rem; } li { margin-bottom: .5rem; border-top: 1px solid #bbb; }
"""


def export_patient(session: Session, desk: Desk, patient_id: int) -> dict[str, Any]:
    """Return everything about a patient, and note that it was given out; raises NotFound."""
    patient = found_patient(session, desk, patient_id)
    courses = traces.courses_of(session, patient_id)
    records = [record_as_json(chart_record(session, desk, each)) for each in courses]
    told = {each["id"] for record in records for each in record["replies"]}
    said = [each for each in replies.replies_of(session, patient_id, since=patient.created_at) if each.id not in told]
    answers = finding.answers_to(session, [each.id for each in said if each.id is not None])
    concerns = [concern_as_json(each) for each in concerns_about(session, desk, patient_id)]
    shown = {each["id"] for record in records for each in record["concerns"]}
    note_change(session, desk, Action.PATIENT_EXPORT, (patient_id, ""), {"courses": courses})
    return {
        "practice": desk.house.sender.practice_name,
        "made_at": as_text(desk.clock.now(), desk.zone),
        "patient": {
            "id": patient_id,
            "name": full_name(patient),
            "language": patient.language,
            "zone": patient.zone,
            "times_of_day": dict(patient.slots),
            "may_be_contacted_at_night": patient.night_contact_agreed,
            "known_since": as_text(patient.created_at, desk.zone),
        },
        "consents": consents_as_json(consent_state(session, desk, patient_id), (), desk.zone),
        "courses": records,
        "other_replies": replies_as_json([said_by_patient(each) for each in said], desk.zone),
        "other_answers": [message_as_json(each) for each in listed(session, desk, tuple(answers.values()))],
        "other_concerns": [each for each in concerns if each["id"] not in shown],
    }


def as_page(export: dict[str, Any], made_at: datetime) -> str:
    """Return it as one page of HTML that fetches nothing; all its words are escaped."""
    title = gettext("Everything kept about {name}", name=export["patient"]["name"])
    return (
        f'<!doctype html>\n<html lang="{language()}">\n<head><meta charset="utf-8">'
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head>\n<body>\n<h1>{escape(title)}</h1>\n"
        f"<p>{escape(export['practice'])}, {made_at:%Y-%m-%d}</p>\n{''.join(_sections(export))}</body>\n</html>\n"
    )


def _sections(export: dict[str, Any]) -> Iterator[str]:
    headings = {
        "patient": gettext("Patient"),
        "consents": gettext("Consent"),
        "courses": gettext("Courses"),
        "other_replies": gettext("Other replies"),
        "other_answers": gettext("Other answers"),
        "other_concerns": gettext("Other concerns"),
    }
    for name, heading in headings.items():
        yield f"<h2>{escape(heading)}</h2>\n{_shown(export[name])}\n"


def _shown(value: Any) -> str:
    """Return a value of JSON as HTML: objects as lists of terms, arrays as numbered lists."""
    if isinstance(value, dict):
        pairs = (
            f"<dt>{escape(str(name).replace('_', ' '))}</dt><dd>{_shown(each)}</dd>" for name, each in value.items()
        )
        return f"<dl>{''.join(pairs)}</dl>"
    if isinstance(value, list | tuple):
        return f"<ol>{''.join(f'<li>{_shown(each)}</li>' for each in value)}</ol>" if value else "–"
    if isinstance(value, bool):
        return gettext("yes") if value else gettext("no")
    return "–" if value is None or value == "" else escape(str(value))
