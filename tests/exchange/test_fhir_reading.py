"""Bundles of HL7 FHIR R4 that tell of a patient, and whatever else JSON may hold."""

from __future__ import annotations

import json
from typing import Any

import pytest
from fhir.resources.R4B.bundle import Bundle
from hypothesis import given
from hypothesis import strategies as st

from reminders.errors import InputError
from reminders.exchange.fhir_reading import read_fhir

_PATIENT: dict[str, Any] = {
    "resourceType": "Patient",
    "id": "p1",
    "name": [{"family": "Invented", "given": ["Robin", "Q"]}],
    "telecom": [
        {"system": "phone", "value": "312-555-0100", "use": "home"},
        {"system": "phone", "value": "312-555-0123", "use": "mobile"},
        {"system": "email", "value": "robin@example.org"},
    ],
    "communication": [
        {"language": {"coding": [{"system": "urn:ietf:bcp:47", "code": "en"}]}},
        {"language": {"coding": [{"system": "urn:ietf:bcp:47", "code": "es"}]}, "preferred": True},
    ],
}
_PROCEDURE: dict[str, Any] = {
    "resourceType": "Procedure",
    "id": "x9",
    "status": "completed",
    "code": {"text": "Partial nail avulsion"},
    "subject": {"reference": "Patient/p1"},
    "performedPeriod": {"start": "2026-06-10T10:00:00-05:00", "end": "2026-06-10T10:30:00-05:00"},
}
_APPOINTMENT: dict[str, Any] = {
    "resourceType": "Appointment",
    "status": "booked",
    "start": "2026-06-24T10:00:00-05:00",
    "end": "2026-06-24T10:30:00-05:00",
    "participant": [{"actor": {"reference": "Patient/p1"}, "status": "accepted"}],
}


def bundle(*resources: dict[str, Any]) -> bytes:
    made = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": each} for each in resources]}
    Bundle.model_validate(made)  # what is tried here is what the standard allows
    return json.dumps(made).encode()


def test_patient_procedure_and_visit_are_read_as_if_typed() -> None:
    (found,) = read_fhir(bundle(_PATIENT, _PROCEDURE, _APPOINTMENT)).patients
    assert found.reference == "fhir//p1/x9"
    assert dict(found.values) == {
        "first_name": "Robin Q",
        "last_name": "Invented",
        "phone": "312-555-0123",
        "email": "robin@example.org",
        "language": "es",
        "procedure": "Partial nail avulsion",
        "end": "2026-06-10T10:30:00-05:00",
        "visit": "2026-06-24T10:00:00-05:00",
    }


def test_without_a_procedure_the_appointment_is_the_procedure() -> None:
    (found,) = read_fhir(bundle(_PATIENT, _APPOINTMENT)).patients
    assert found.values["end"] == "2026-06-24T10:30:00-05:00"
    assert "visit" not in found.values


def test_of_several_patients_each_has_their_own_procedure() -> None:
    other = _PATIENT | {"id": "p2", "name": [{"family": "Example", "given": ["Kim"]}]}
    found = read_fhir(bundle(_PATIENT, other, _PROCEDURE)).patients
    assert [("procedure" in each.values, each.values["first_name"]) for each in found] == [
        (True, "Robin Q"), (False, "Kim"),
    ]  # fmt: skip


def test_told_twice_it_has_the_same_reference_also_without_ids() -> None:
    nameless = {name: value for name, value in _PATIENT.items() if name != "id"}
    first, again = (read_fhir(bundle(nameless)).patients[0].reference for _ in range(2))
    other = read_fhir(bundle(nameless | {"name": [{"family": "Other"}]})).patients[0].reference
    assert first == again != other


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "no JSON"),
        (b"{", "no JSON"),
        (b"[" * 100_000, "no JSON"),
        (b"[]", "no FHIR bundle"),
        (b'{"resourceType": "Patient"}', "no FHIR bundle"),
        (b'{"resourceType": "Bundle"}', "no patient"),
    ],
)
def test_what_is_no_such_bundle_is_refused_with_a_reason(content: bytes, says: str) -> None:
    with pytest.raises(InputError, match=says):
        read_fhir(content)


_json = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                [
                    "name",
                    "given",
                    "family",
                    "telecom",
                    "system",
                    "value",
                    "communication",
                    "language",
                    "coding",
                    "code",
                    "subject",
                    "reference",
                    "performedPeriod",
                    "end",
                    "start",
                    "participant",
                    "actor",
                    "id",
                    "text",
                ]
            ),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)


@given(st.lists(st.tuples(st.sampled_from(["Patient", "Procedure", "Appointment"]), _json), max_size=4), _json)
def test_no_shape_does_more_than_be_refused(resources: list[tuple[str, Any]], identifier: Any) -> None:
    entries = [
        {"resource": ({**each, "resourceType": kind} if isinstance(each, dict) else {"resourceType": kind})}
        for kind, each in resources
    ]
    said = json.dumps({"resourceType": "Bundle", "identifier": identifier, "entry": entries}).encode()
    try:
        found = read_fhir(said)
    except InputError:
        return
    assert all(each.reference for each in found.patients)
