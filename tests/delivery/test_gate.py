"""The gate at the moment of sending."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest

import reminders.clock  # noqa: F401  zone rules come from the pinned package
from reminders.care.quiet_hours import QuietHours
from reminders.delivery.gate import Gate, Go, Verdict, Wait, Withhold
from reminders.records.outbox import DueMessage
from tests.stored import NOON, PHONE

GATE = Gate(quiet_hours={"main": QuietHours.every_day("21:00-08:00")})
LATE = datetime.fromisoformat("2026-06-10T22:30-07:00")
MORNING = datetime.fromisoformat("2026-06-11T08:00-07:00")


def _due(**changes: Any) -> DueMessage:
    plain: dict[str, Any] = {
        "id": 1,
        "practice_id": "main",
        "patient_id": 1,
        "enrollment_id": 1,
        "answers_reply_id": None,
        "kind": "instruction",
        "key": "soak",
        "occurrence": 1,
        "channel": "sms",
        "address": PHONE,
        "language": "en",
        "useful_until": NOON + timedelta(days=2),
        "required": True,
        "in_doubt": "resend",
        "subject": None,
        "text": "Soak.",
        "markdown": None,
        "encoding": "gsm7",
        "segments": 1,
        "attempts": 0,
        "in_reply_to": None,
        "contact_state": "active",
        "enrollment_state": "active",
        "zone": "America/Los_Angeles",
        "night_contact_agreed": False,
        "approved": True,
    }
    return DueMessage(**(plain | changes))


def _name(verdict: Verdict) -> str:
    if isinstance(verdict, Withhold):
        return "withhold, tell" if verdict.tell_staff else "withhold"
    return "wait" if isinstance(verdict, Wait) else "go"


@pytest.mark.parametrize(
    ("changes", "verdict"),
    [
        pytest.param({}, "go", id="all-well"),
        pytest.param({"useful_until": NOON}, "go", id="useful-to-this-very-moment"),
        pytest.param({"useful_until": NOON - timedelta(microseconds=1)}, "withhold, tell", id="no-longer-useful"),
        pytest.param({"contact_state": "stopped"}, "withhold", id="stopped"),
        pytest.param({"contact_state": "released"}, "withhold", id="somebody-elses-number"),
        pytest.param({"contact_state": "unreachable"}, "withhold", id="number-does-not-work"),
        pytest.param({"contact_state": None}, "withhold", id="address-unknown"),
        pytest.param({"enrollment_state": "ended"}, "withhold", id="course-ended"),
        pytest.param({"enrollment_state": "cancelled"}, "withhold", id="course-cancelled"),
        pytest.param({"approved": False}, "withhold, tell", id="nobody-approved-it"),
        pytest.param({"kind": "staff", "contact_state": None, "enrollment_state": None}, "go", id="to-staff"),
        pytest.param({"kind": "staff", "useful_until": NOON - timedelta(1)}, "withhold, tell", id="to-staff-too-late"),
        pytest.param({"kind": "answer", "enrollment_state": "ended"}, "go", id="answer-after-the-course"),
        pytest.param({"kind": "answer", "contact_state": None}, "go", id="answer-to-a-stranger"),
        pytest.param({"kind": "answer", "contact_state": "stopped"}, "withhold", id="answer-after-stop"),
        pytest.param(
            {"kind": "answer", "contact_state": "stopped", "key": "answer_stopped"}, "go", id="confirmation-of-stop"
        ),
        pytest.param(
            {"key": "answer_stopped", "contact_state": "stopped"}, "withhold", id="only-an-answer-confirms-stop"
        ),
        pytest.param({"kind": "answer", "contact_state": "released"}, "withhold", id="answer-to-a-wrong-person"),
        pytest.param({"kind": "answer", "contact_state": "unreachable"}, "go", id="answer-to-who-wrote-all-the-same"),
    ],
)
def test_at_noon(changes: dict[str, Any], verdict: str) -> None:
    assert _name(GATE.judge(_due(**changes), NOON)) == verdict


@pytest.mark.parametrize(
    ("changes", "verdict"),
    [
        pytest.param({}, "wait", id="waits-for-the-morning"),
        pytest.param({"useful_until": MORNING}, "wait", id="useful-until-the-quiet-hours-end"),
        pytest.param({"useful_until": MORNING - timedelta(seconds=1)}, "withhold, tell", id="useless-by-then"),
        pytest.param({"night_contact_agreed": True}, "go", id="agreed-to-the-night"),
        pytest.param({"kind": "answer"}, "go", id="answers-at-any-hour"),
        pytest.param({"kind": "staff"}, "go", id="staff-at-any-hour"),
        pytest.param({"contact_state": "stopped"}, "withhold", id="stopped-is-not-put-off"),
        pytest.param({"zone": "Asia/Tokyo"}, "go", id="day-where-the-patient-is"),
    ],
)
def test_in_quiet_hours(changes: dict[str, Any], verdict: str) -> None:
    assert _name(GATE.judge(_due(**changes), LATE)) == verdict


def test_waits_until_the_quiet_hours_end_where_the_patient_is() -> None:
    verdict = GATE.judge(_due(), LATE)
    assert isinstance(verdict, Wait)
    assert verdict.until == MORNING
    assert "08:00" in verdict.detail


def test_in_demo_mode_nobody_has_to_approve() -> None:
    demo = Gate(quiet_hours=GATE.quiet_hours, approval_needed=False)
    assert demo.judge(_due(approved=False), NOON) == Go()


def test_where_it_is_never_quiet_nothing_waits() -> None:
    assert Gate(quiet_hours={"main": QuietHours.every_day()}).judge(_due(), LATE) == Go()


def test_where_it_is_always_quiet_nothing_goes_out() -> None:
    always = Gate(quiet_hours={"main": QuietHours.every_day("00:00-12:00", "12:00-00:00")})
    assert _name(always.judge(_due(), NOON)) == "withhold, tell"
