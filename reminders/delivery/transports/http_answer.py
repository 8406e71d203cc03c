"""Knows what a gateway's answer means, by the configuration's word."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from email.utils import parsedate_to_datetime
from enum import Enum
from typing import Any

from reminders.config_delivery import HttpAnswerSection, HttpStatusSection
from reminders.delivery.outgoing import Accepted, Result
from reminders.errors import Away, BadAddress, InDoubt, Refused, Throttled, Unreachable
from reminders.sentences import english

_LONGEST_WORD = 60


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What came back."""

    code: int
    body: bytes
    headers: Mapping[str, str] = field(default_factory=dict)
    """Names in lower case."""

    @property
    def retry_after(self) -> str:
        """When to come again, as it is said (RFC 9110 section 10.2.3); empty when it is not."""
        return self.headers.get("retry-after", "").strip()


class _Mark(Enum):
    """Stands for "accepted" until the reference is known."""

    ACCEPTED = "accepted"


def judge(answer: Answer, section: HttpAnswerSection, *, key: str) -> Result:
    """Return how the hand-over ended; the message's own key stands in where the answer holds no id.

    A status, where one is configured, says more than the code: many gateways answer 200 to everything. An answer
    of which nobody said what it means leaves the message in doubt, such as 500 or 504, which may come after the
    gateway took it.
    """
    found_id, status = id_and_status(answer, section)
    if status is not None:
        by_status = _by_status(status, section)
        if by_status is not None:
            return Accepted(ref=found_id or key) if by_status is _Mark.ACCEPTED else by_status
    by_code = _by_code(answer.code, section)
    if by_code is not _Mark.ACCEPTED:
        return by_code
    if section.accepted:
        return InDoubt(
            english("answer {code} with the status {status}, which is not configured").format(
                code=answer.code, status=_shown(status)
            )
        )
    return Accepted(ref=found_id or key)


def retry_after_seconds(answer: Answer, now: datetime) -> float | None:
    """Return the pause asked for: seconds, or a moment (RFC 9110 section 10.2.3); None when there is none."""
    if answer.retry_after.isdecimal():
        return float(answer.retry_after)
    try:
        return max(0.0, (parsedate_to_datetime(answer.retry_after) - now).total_seconds())
    except (ValueError, TypeError):
        return None


def at_path(value: Any, path: str) -> object:
    """Return what stands at a dotted path of JSON, such as `messages.0.id`; None when nothing does."""
    for step in path.split("."):
        if isinstance(value, dict):
            value = value.get(step)
        elif isinstance(value, list) and step.isdecimal() and int(step) < len(value):
            value = value[int(step)]
        else:
            return None
    return value


def spelled(value: object) -> str:
    """Return a plain value of JSON as it is written there: `true`, not `True`."""
    return json.dumps(value) if isinstance(value, bool) else str(value)


def in_codes(code: int, codes: Sequence[str]) -> bool:
    """Tell whether a list such as `2xx, 404` names a code."""
    return str(code) in codes or f"{code // 100}xx" in codes


def id_and_status(answer: Answer, section: HttpAnswerSection | HttpStatusSection) -> tuple[str, str | None]:
    """Return the message's id as one word, since spaces part the references of segments, and its status.

    Empty and None where the answer holds none, or is not of the form that is configured.
    """
    found: Mapping[str, object] = {}
    if section.form == "text":
        match = re.search(section.pattern, answer.body.decode("utf-8", "replace")) if section.pattern else None
        found = match.groupdict() if match else {}
    elif section.id or section.status:
        try:
            value = json.loads(answer.body)
        except (ValueError, RecursionError):
            return "", None
        found = {"id": at_path(value, section.id), "status": at_path(value, section.status)}
    named = found.get("id")
    if isinstance(section, HttpAnswerSection) and section.id_header:
        named = answer.headers.get(section.id_header.lower(), "")
        if section.id_header.lower() == "location":
            named = named.rstrip("/").rpartition("/")[2]
    status = found.get("status")
    return "".join(spelled(named).split()) if named is not None else "", None if status is None else spelled(status)


def _by_status(status: str, section: HttpAnswerSection) -> Result | _Mark | None:
    shown = english("status {status}").format(status=_shown(status))
    if status in section.accepted:
        return _Mark.ACCEPTED
    if status in section.bad_address:
        return BadAddress(shown)
    if status in section.refused:
        return Refused(shown)
    if status in section.throttled:
        return Throttled(shown)
    return Unreachable(shown) if status in section.later else None


def _by_code(code: int, section: HttpAnswerSection) -> Result | _Mark:
    shown = english("answer {code}").format(code=code)
    if in_codes(code, section.throttled_codes):
        return Throttled(shown)
    if in_codes(code, section.later_codes):
        return Away(shown)
    if in_codes(code, section.bad_address_codes):
        return BadAddress(shown)
    if in_codes(code, section.refused_codes):
        return Refused(shown)
    return _Mark.ACCEPTED if in_codes(code, section.accepted_codes) else InDoubt(shown)


def _shown(status: str | None) -> str:
    """Return a status for staff; one that is long may be a sentence about a person."""
    return repr(status) if status is None or len(status) <= _LONGEST_WORD else english("too long to show")
