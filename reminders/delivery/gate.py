"""Decides at the moment of sending whether a message may still go out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from zoneinfo import ZoneInfo

from reminders.care.quiet_hours import QuietHours
from reminders.records.outbox import DueMessage
from reminders.sentences import english

ANSWERS_TO_ANYBODY = frozenset(
    {"answer_stopped", "answer_started", "answer_help", "answer_emergency", "answer_wrong_person"}
)
"""Keys of the answers that also go to an address that is stopped or somebody else's: none holds a patient's data.

`answer_stopped` confirms the opt-out, 47 CFR 64.1200(a)(12); the others answer what its holder wrote since.
"""


@dataclass(frozen=True, kw_only=True)
class Go:
    """The message may go out now."""


@dataclass(frozen=True, kw_only=True)
class Wait:
    """The message has to wait."""

    until: datetime
    detail: str


@dataclass(frozen=True, kw_only=True)
class Withhold:
    """The message must not go out any more."""

    detail: str
    tell_staff: bool
    """Whether staff have to make up for it, when it was required: nobody chose that it stays away."""
    other_way: bool = False
    """Whether it may go by the patient's other channel."""


Verdict = Go | Wait | Withhold
_GO = Go()


@dataclass(frozen=True, kw_only=True)
class Gate:
    """The rules of the practices that a worker serves; it claims no others' messages."""

    quiet_hours: Mapping[str, QuietHours]
    """By practice."""
    approval_needed: bool = True
    """False in demo mode only."""

    def judge(self, message: DueMessage, now: datetime) -> Verdict:
        """Say what happens to a due message at `now`; the first rule that objects decides."""
        if now > message.useful_until:
            return Withhold(
                detail=english("no longer useful after {until:%Y-%m-%d %H:%M} UTC").format(until=message.useful_until),
                tell_staff=True,
            )
        if message.kind == "staff":
            return _GO
        if message.kind == "answer":
            return _judge_answer(message)
        return self._judge_contact(message) or self._judge_plan(message) or self._judge_hour(message, now)

    def _judge_contact(self, message: DueMessage) -> Withhold | None:
        if message.contact_state == "active":
            return None
        detail = _CONTACT_DETAILS.get(message.contact_state, _NO_CONTACT)
        return Withhold(detail=detail, tell_staff=False, other_way=message.contact_state == "unreachable")

    def _judge_plan(self, message: DueMessage) -> Withhold | None:
        if message.enrollment_state == "paused":
            return Withhold(detail=english("staff paused the course"), tell_staff=False)
        if message.enrollment_state != "active":
            return Withhold(detail=english("the course is over"), tell_staff=False)
        if self.approval_needed and not message.approved:
            return Withhold(
                detail=english("nobody approved the plan as it was when this course began"), tell_staff=True
            )
        return None

    def _judge_hour(self, message: DueMessage, now: datetime) -> Verdict:
        quiet = self.quiet_hours[message.practice_id]
        zone = _zone(message.zone or "UTC")
        # A message planned into the night is there because the patient agreed to it.
        if message.night_contact_agreed or not quiet.is_quiet(now, zone):
            return _GO
        end = quiet.end_after(now, zone)
        if end is None or end > message.useful_until:
            return Withhold(detail=english("quiet hours last until it is no longer useful"), tell_staff=True)
        return Wait(
            until=end,
            detail=english("waits for the end of quiet hours at {clock:%H:%M}").format(clock=end.astimezone(zone)),
        )


_NO_CONTACT = english("the patient no longer has this address")
_CONTACT_DETAILS: Mapping[str | None, str] = {
    "stopped": english("the patient asked for no more messages"),
    "released": english("the address is somebody else's"),
    "unreachable": english("the address does not work"),
}


def _judge_answer(message: DueMessage) -> Verdict:
    """Answer whoever wrote, at any hour, as they wait for it; who opted out or isn't the patient, with no data."""
    if message.contact_state in {None, "active", "unreachable"} or message.key in ANSWERS_TO_ANYBODY:
        return _GO
    return Withhold(detail=_CONTACT_DETAILS[message.contact_state], tell_staff=False)


@lru_cache(maxsize=512)
def _zone(name: str) -> ZoneInfo:
    return ZoneInfo(name)
