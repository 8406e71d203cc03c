"""Reads a bundle of HL7 FHIR R4 that tells of a patient: Patient, and Procedure or Appointment if they are there."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from typing import Any

from reminders.errors import InputError
from reminders.exchange.announced import Announced, Told, announced
from reminders.words import gettext

LARGEST_FILE = 5_000_000
MOST_PATIENTS = 5_000

_Json = dict[str, Any]


def read_fhir(content: bytes) -> Told:
    """Return every patient of a bundle with what is said of their procedure; raises InputError for no such bundle."""
    if len(content) > LARGEST_FILE:
        raise InputError(gettext("the file has more than {number:,} bytes; split it", number=LARGEST_FILE))
    try:
        bundle = json.loads(content)
    except (ValueError, RecursionError):
        raise InputError(gettext("the file is no JSON")) from None
    if not isinstance(bundle, dict) or bundle.get("resourceType") != "Bundle":
        raise InputError(gettext("the file is no FHIR bundle"))
    resources = [(_text(entry.get("fullUrl")), _dict(entry.get("resource"))) for entry in _dicts(bundle.get("entry"))]
    patients = [(url, each) for url, each in resources if each.get("resourceType") == "Patient"]
    if not patients:
        raise InputError(gettext("the bundle tells of no patient"))
    if len(patients) > MOST_PATIENTS:
        raise InputError(gettext("the bundle holds more than {number:,} patients; split it", number=MOST_PATIENTS))
    others = [each for _url, each in resources]
    alone = len(patients) == 1
    return Told(patients=tuple(_announced(bundle, url, patient, others, alone=alone) for url, patient in patients))


def _announced(bundle: _Json, url: str, patient: _Json, others: list[_Json], *, alone: bool) -> Announced:
    names = {url, f"Patient/{_text(patient.get('id'))}"}
    mine = [each for each in others if alone or names & set(_refers_to(each))]
    procedure = next((each for each in mine if each.get("resourceType") == "Procedure"), {})
    appointment = next((each for each in mine if each.get("resourceType") == "Appointment"), {})
    end = _text(procedure.get("performedDateTime")) or _text(_dict(procedure.get("performedPeriod")).get("end"))
    booked = _text(appointment.get("start"))
    name = next(iter(_dicts(patient.get("name"))), {})
    given = name.get("given")
    return announced(
        _reference(bundle, patient, procedure, appointment),
        first_name=" ".join(each for each in given if isinstance(each, str)) if isinstance(given, list) else "",
        last_name=_text(name.get("family")),
        phone=_telecom(patient, "phone", "sms"),
        email=_telecom(patient, "email"),
        language=_language(patient),
        procedure=_called(procedure.get("code")) or _text(appointment.get("description")),
        end=end or (_text(appointment.get("end")) or booked if not procedure else ""),
        visit=booked if procedure else "",
    )


def _reference(bundle: _Json, *resources: _Json) -> str:
    """Return what the sender calls it; where it gives no ids, the hash of what it said."""
    identifier = _text(_dict(bundle.get("identifier")).get("value"))
    ids = [_text(each.get("id")) for each in resources if each.get("id")]
    if identifier or ids:
        return "/".join(("fhir", identifier, *ids))
    said = json.dumps(resources, sort_keys=True, ensure_ascii=False).encode("utf-8", "surrogatepass")
    return f"fhir/{hashlib.sha256(said).hexdigest()}"


def _refers_to(resource: _Json) -> Iterator[str]:
    yield _text(_dict(resource.get("subject")).get("reference"))
    for each in _dicts(resource.get("participant")):
        yield _text(_dict(each.get("actor")).get("reference"))


def _telecom(patient: _Json, *systems: str) -> str:
    found = [each for each in _dicts(patient.get("telecom")) if each.get("system") in systems]
    found.sort(key=lambda each: (each.get("use") != "mobile", each.get("use") in {"old", "temp"}))
    return next((value for each in found if (value := _text(each.get("value")))), "")


def _language(patient: _Json) -> str:
    spoken = _dicts(patient.get("communication"))
    spoken.sort(key=lambda each: each.get("preferred") is not True)
    codes = [_dict(each.get("language")).get("coding") for each in spoken]
    return next((code for coding in codes for each in _dicts(coding) if (code := _text(each.get("code")))), "")


def _called(concept: object) -> str:
    found = _dict(concept)
    displayed = (_text(each.get("display")) for each in _dicts(found.get("coding")))
    return _text(found.get("text")) or next((each for each in displayed if each), "")


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _dict(value: object) -> _Json:
    return value if isinstance(value, dict) else {}


def _dicts(value: object) -> list[_Json]:
    return [each for each in value if isinstance(each, dict)] if isinstance(value, list) else []
