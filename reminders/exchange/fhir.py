"""The parts that resources of HL7 FHIR R4 (4.0.1, https://hl7.org/fhir/R4/) are made of, and bundles of them."""

from __future__ import annotations

import base64
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any, NamedTuple
from uuid import UUID, uuid5

Resource = dict[str, Any]

_OURS = UUID("6f0f6f0e-5d7b-4c56-9f5c-0c5b8f1f2a6e")
_MODES = "http://terminology.hl7.org/CodeSystem/v3-ParticipationMode"
_MEDIA: dict[str, Resource] = {
    "sms": {"text": "SMS"},  # HL7's table of modes has no code for it
    "email": {"coding": [{"system": _MODES, "code": "EMAILWRIT"}], "text": "e-mail"},
    "page": {"coding": [{"system": _MODES, "code": "ONLINEWRIT"}], "text": "the patient's page"},
    "desk": {"coding": [{"system": _MODES, "code": "FACE"}], "text": "said at the desk"},
}


class Named(NamedTuple):
    """A resource by what it is called here: its id and its full URL in a bundle follow from it."""

    practice_id: str
    kind: str
    number: int | str

    @property
    def id(self) -> str:
        """The same for the same thing in every bundle, and never another practice's."""
        return str(uuid5(_OURS, f"{self.practice_id}/{self.kind}/{self.number}"))

    @property
    def url(self) -> str:
        """What other entries of the bundle refer to."""
        return f"urn:uuid:{self.id}"


def bundle(resources: Iterable[tuple[Named, Resource]], *, at: datetime) -> Resource:
    """Return a collection of resources, gathered at an instant."""
    entries = [
        {"fullUrl": name.url, "resource": {"resourceType": resource["resourceType"], "id": name.id, **resource}}
        for name, resource in resources
    ]
    return {"resourceType": "Bundle", "type": "collection", "timestamp": instant(at), "entry": entries}


def resource(resource_type: str, **elements: Any) -> Resource:
    """Return a resource with those of the elements that hold something, as FHIR allows no empty ones."""
    return {"resourceType": resource_type, **filled(**elements)}


def filled(**elements: Any) -> dict[str, Any]:
    """Return the elements that hold something."""
    return {name: value for name, value in elements.items() if value not in (None, "", [], {})}


def reference(name: Named) -> dict[str, str]:
    """Return a reference to another resource of the bundle."""
    return {"reference": name.url}


def coded(system: str, code: str) -> Resource:
    """Return a CodeableConcept with one code of a system."""
    return {"coding": [{"system": system, "code": code}]}


def medium(channel: str) -> Resource:
    """Return how something is said: by `sms`, by `email`, on the patient's `page` or at the `desk`."""
    return _MEDIA[channel]


def annotation(text: str, *, author: str = "", at: datetime | None = None) -> dict[str, Any]:
    """Return a remark with its author and its moment."""
    return filled(authorString=author, time=at and instant(at), text=text)


def instant(moment: datetime) -> str:
    """Return an aware instant in UTC, to the millisecond."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def hash_uri(sha256: str) -> str:
    """Return what names content by its SHA-256, given as hexadecimal digits (RFC 6920 section 3)."""
    return "ni:///sha-256;" + base64.urlsafe_b64encode(bytes.fromhex(sha256)).rstrip(b"=").decode()
