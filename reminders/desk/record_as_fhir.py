"""The chart record of a course as a bundle of HL7 FHIR R4, for the practice's own chart to take in."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime

from reminders.care.values import Course
from reminders.desk.chart_record import ChartRecord
from reminders.desk.composing import Desk
from reminders.desk.concern_list import ListedConcern, SaidByPatient
from reminders.desk.consent import ConsentStep
from reminders.desk.message_list import ListedMessage
from reminders.exchange.fhir import (
    Named,
    Resource,
    annotation,
    bundle,
    coded,
    filled,
    hash_uri,
    instant,
    medium,
    reference,
    resource,
)
from reminders.records.message_states import MessageState

_CATEGORIES = "http://terminology.hl7.org/CodeSystem/communication-category"
_SCOPES = "http://terminology.hl7.org/CodeSystem/consentscope"
_LOINC = "http://loinc.org"
_CONSENT_DOCUMENT = "59284-0"
_PLAN_STATUS = {"active": "active", "ended": "completed", "cancelled": "revoked"}
_PRIORITY = {"emergency": "stat", "urgent": "urgent"}
_TASK_STATUS = {"open": "requested", "taken": "in-progress", "closed": "completed"}


@dataclass(frozen=True)
class _As:
    """How a message's state reads in FHIR: of what was to be said, and of what was; None when it was not tried yet."""

    request: str
    event: str | None


_STATES: Mapping[str, _As] = {
    MessageState.SCHEDULED: _As("active", None),
    MessageState.SENDING: _As("active", "in-progress"),
    MessageState.SENT: _As("completed", "completed"),
    MessageState.DELIVERED: _As("completed", "completed"),
    MessageState.FAILED: _As("revoked", "stopped"),
    MessageState.UNCERTAIN: _As("unknown", "unknown"),
    MessageState.WITHHELD: _As("revoked", "not-done"),
    MessageState.CANCELLED: _As("revoked", "not-done"),
    MessageState.AT_CHECKOUT: _As("completed", "completed"),
    MessageState.JOINED: _As("completed", None),  # the message that says it tells what became of it
}


def record_as_fhir(desk: Desk, record: ChartRecord) -> Resource:
    """Return the record as a Bundle.

    It holds Organization, Patient, the Practitioner who approved the plan, Procedure, CarePlan, a CommunicationRequest
    for every message that was planned, a Communication for what was said, heard or withheld, Consent, Appointment, and
    a Task for every concern.
    """
    return bundle(_Mapping(desk, record).resources(), at=desk.clock.now())


class _Mapping:
    def __init__(self, desk: Desk, record: ChartRecord) -> None:
        self._desk = desk
        self._record = record
        self._practice = self._named("practice", 0)
        self._patient = self._named("patient", record.patient_id)

    def _named(self, kind: str, number: int | str) -> Named:
        return Named(self._desk.practice_id, kind, number)

    def resources(self) -> Iterator[tuple[Named, Resource]]:
        record = self._record
        course = record.course
        yield self._practice, self._organization()
        yield self._patient, self._person(course)
        if record.plan.approval is not None:
            yield self._approver, self._practitioner()
        yield self._named("procedure", record.enrollment_id), self._procedure(course)
        if course.visit is not None:
            yield self._visit, self._appointment(course.visit)
        yield self._named("course", record.enrollment_id), self._care_plan()
        for message in record.messages:
            yield self._named("planned", message.id), self._request(message)
            if (event := _STATES[message.state].event) is not None:
                yield self._named("said", message.id), self._communication(message, event)
        for said in record.replies:
            yield self._named("heard", said.reply_id), self._heard(said)
        for answer in record.answers:
            event = _STATES[answer.state].event or "preparation"
            yield self._named("said", answer.id), self._communication(answer, event)
        for number, step in enumerate(record.consent):
            yield self._named("consent", f"{record.patient_id}/{number}"), self._consent(step)
        for concern in record.concerns:
            yield self._named("concern", concern.id), self._task(concern)

    @property
    def _approver(self) -> Named:
        return self._named("approval", self._record.plan.content_hash)

    @property
    def _visit(self) -> Named:
        return self._named("visit", self._record.enrollment_id)

    def _organization(self) -> Resource:
        sender = self._desk.house.sender
        telecom = [{"system": "phone", "value": sender.practice_phone}] if sender.practice_phone else []
        return resource("Organization", name=self._record.practice, telecom=telecom)

    def _person(self, course: Course) -> Resource:
        # The address that consent was given for last counts; a withdrawn one is no place to write to.
        latest = {(step.channel, step.address): step.action == "given" for step in self._record.consent}
        systems = {"sms": "phone", "email": "email"}
        spoken = {"language": coded("urn:ietf:bcp:47", course.language), "preferred": True}
        return resource(
            "Patient",
            name=[{"text": self._record.patient}] if self._record.patient else [],
            telecom=[
                {"system": systems[channel], "value": address} for (channel, address), given in latest.items() if given
            ],
            communication=[spoken],
        )

    def _practitioner(self) -> Resource:
        approval = self._record.plan.approval
        name, number = (approval.approved_by, approval.license) if approval else ("", "")
        licence = {"identifier": [{"value": number}], "code": {"text": "licence"}}
        return resource("Practitioner", name=[{"text": name}], qualification=[licence] if number else [])

    def _procedure(self, course: Course) -> Resource:
        return resource(
            "Procedure",
            status="completed",
            code={"text": self._record.plan.procedure.replace("-", " ")},
            subject=reference(self._patient),
            performedDateTime=instant(course.procedure_end),
            performer=[{"actor": reference(self._practice)}],
            bodySite=[{"text": course.site}] if course.site else [],
        )

    def _appointment(self, starts_at: datetime) -> Resource:
        return resource(
            "Appointment",
            status="booked",
            description="visit after the procedure",
            start=instant(starts_at),
            end=instant(starts_at + self._desk.visit_length),
            participant=[{"actor": reference(self._patient), "status": "accepted"}],
        )

    def _care_plan(self) -> Resource:
        record = self._record
        approval = record.plan.approval
        approved = "approved by nobody: demo mode"
        if approval is not None:
            approved = f"approved by {approval.approved_by}, licence {approval.license}"
        activities = [self._named("planned", each.id) for each in record.messages]
        if record.course.visit is not None:
            activities.append(self._visit)
        return resource(
            "CarePlan",
            # What the course follows is named by the hash of its very content, which is what was approved.
            instantiatesUri=[hash_uri(record.plan.content_hash)],
            status=_PLAN_STATUS[record.state],
            intent="plan",
            title=f"{record.plan.procedure}, version {record.plan.version}",
            subject=reference(self._patient),
            period=filled(start=instant(record.course.procedure_end), end=record.ended_at and instant(record.ended_at)),
            created=instant(record.enrolled_at),
            author=reference(self._approver) if approval else None,
            activity=[{"reference": reference(each)} for each in activities],
            note=[
                annotation("enrolled", author=record.enrolled_by, at=record.enrolled_at),
                annotation(approved, at=approval.at if approval else None),
            ],
        )

    def _request(self, message: ListedMessage) -> Resource:
        state = _STATES[message.state]
        within = [annotation(f"said within {message.joined_into}")] if message.joined_into else []
        return resource(
            "CommunicationRequest",
            status=state.request,
            statusReason={"text": message.detail} if message.detail and state.request == "revoked" else None,
            **self._words(message),
            occurrenceDateTime=instant(message.send_at),
            authoredOn=instant(self._record.enrolled_at),
            requester=reference(self._practice),
            note=[*within, *(annotation(each.text) for each in message.reasons)],
        )

    def _communication(self, message: ListedMessage, event: str) -> Resource:
        based_on = self._named("planned", message.id) if message.kind == "instruction" else None
        why = message.detail or (message.reasons[-1].text if message.reasons else "")
        handed_over = message.settled_at if event == "completed" else None
        return resource(
            "Communication",
            basedOn=[reference(based_on)] if based_on else [],
            status=event,
            statusReason={"text": why} if why and event != "completed" else None,
            **self._words(message),
            sent=handed_over and instant(handed_over),
        )

    def _words(self, message: ListedMessage) -> Mapping[str, object]:
        at_desk = message.state == MessageState.AT_CHECKOUT
        return filled(
            category=[coded(_CATEGORIES, "instruction")],
            medium=[medium("desk" if at_desk else message.channel)],
            subject=reference(self._patient),
            sender=reference(self._practice),
            recipient=[reference(self._patient)],
            payload=[{"contentString": message.text}] if message.text.strip() else [],
        )

    def _heard(self, said: SaidByPatient) -> Resource:
        read_as = f"read as {said.label.replace('_', ' ')}"
        signs = f": {', '.join(sign.replace('_', ' ') for sign in said.signs)}" if said.signs else ""
        return resource(
            "Communication",
            status="completed",
            priority=_PRIORITY.get(said.label, "routine"),
            medium=[medium(said.channel)],
            subject=reference(self._patient),
            sender=reference(self._patient),
            recipient=[reference(self._practice)],
            received=instant(said.received_at),
            payload=[{"contentString": said.text}] if said.text.strip() else [],
            note=[annotation(read_as + signs)],
        )

    def _consent(self, step: ConsentStep) -> Resource:
        given = step.action == "given"
        return resource(
            "Consent",
            status="active" if given else "inactive",
            scope=coded(_SCOPES, "patient-privacy"),
            category=[coded(_LOINC, _CONSENT_DOCUMENT)],
            patient=reference(self._patient),
            dateTime=instant(step.at),
            organization=[reference(self._practice)],
            policyRule={"text": step.wording or f"{step.action}, as {step.source} says"},
            provision=filled(
                type="permit" if given else "deny",
                action=[{"text": f"write by {step.channel} to {step.address}"}],
                actor=[{"role": {"text": "recorded by"}, "reference": {"display": step.recorded_by}}]
                if step.recorded_by
                else [],
            ),
        )

    def _task(self, concern: ListedConcern) -> Resource:
        about = concern.said[0] if concern.said else None
        notes = [
            annotation(f"{step.action}: {step.note}" if step.note else step.action, author=step.by, at=step.at)
            for step in concern.history
        ]
        return resource(
            "Task",
            status=_TASK_STATUS[concern.state],
            intent="order",
            priority=_PRIORITY.get(concern.urgency, "routine"),
            businessStatus={"text": concern.outcome} if concern.outcome else None,
            description=concern.summary or concern.kind,
            focus=reference(self._named("heard", about.reply_id)) if about else None,
            **{"for": reference(self._patient)},
            authoredOn=instant(concern.opened_at),
            lastModified=instant(concern.history[-1].at) if concern.history else None,
            owner={"display": concern.taken_by} if concern.taken_by else None,
            note=notes,
            restriction={"period": {"end": instant(concern.due_at)}},
        )
