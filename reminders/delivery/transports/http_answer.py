"""Knows what a gateway's answer means, by the configuration's word."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from email.utils import parsedate_to_datetime
from enum import Enum
from typing import Any

from reminders.config_delivery import HttpAnswerSection
from reminders.delivery.outgoing import Accepted, Result
from reminders.errors import Away, BadAddress, InDoubt, Refused, Throttled, Unreachable
from reminders.sentences import english

_LONGEST_WORD = 60


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What came back."""

    code: int
    body: bytes
    retry_after: str = ""


class _Mark(Enum):
    """Stands for "accepted" until the reference is known."""

    ACCEPTED = "accepted"


def judge(answer: Answer, section: HttpAnswerSection, *, key: str) -> Result:
    """Return how the hand-over ended; the message's own key stands in where the answer holds no id.

    A status, where one is configured, says more than the code: many gateways answer 200 to everything. An answer
    of which nobody said what it means leaves the message in doubt, such as 500 or 504, which may come after the
    gateway took it.
    """
    found_id, status = _id_and_status(answer.body, section)
    if status is not None:
        by_status = _by_status(status, section)
        if by_status is not None:
            return Accepted(ref=_word(found_id) or key) if by_status is _Mark.ACCEPTED else by_status
    by_code = _by_code(answer.code, section)
    if by_code is not _Mark.ACCEPTED:
        return by_code
    if section.accepted:
        return InDoubt(
            english("answer {code} with the status {status}, which is not configured").format(
                code=answer.code, status=_shown(status)
            )
        )
    return Accepted(ref=_word(found_id) or key)


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


def in_codes(code: int, codes: Sequence[str]) -> bool:
    """Tell whether a list such as `2xx, 404` names a code."""
    return str(code) in codes or f"{code // 100}xx" in codes


def _id_and_status(body: bytes, section: HttpAnswerSection) -> tuple[object, str | None]:
    if section.form == "text":
        found = re.search(section.pattern, body.decode("utf-8", "replace")) if section.pattern else None
        groups = found.groupdict() if found else {}
        return groups.get("id"), groups.get("status")
    if not (section.id or section.status):
        return None, None
    try:
        value = json.loads(body)
    except ValueError:
        return None, None
    status = at_path(value, section.status) if section.status else None
    return (at_path(value, section.id) if section.id else None), (None if status is None else str(status))


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


def _word(value: object) -> str:
    """Return an id as one word, since spaces part the references of a message's segments."""
    return "".join(str(value).split()) if value not in (None, "") else ""


def _shown(status: str | None) -> str:
    """Return a status for staff; one that is long may be a sentence about a person."""
    return repr(status) if status is None or len(status) <= _LONGEST_WORD else english("too long to show")
