"""Who may do what: each role has the rights its work needs and no other; a person may have several roles."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum
from types import MappingProxyType


class Role(StrEnum):
    """What somebody is in the practice."""

    FRONT_DESK = "front_desk"
    NURSE = "nurse"
    CLINICIAN = "clinician"
    ADMINISTRATOR = "administrator"


class Right(StrEnum):
    """What somebody may do."""

    ENROLL = "enroll"
    """Find patients, enroll them, print their sheet, take an enrollment back."""
    SEE_COURSES = "see_courses"
    """Who is in aftercare, and what is sent to them when."""
    CHANGE_FACTS = "change_facts"
    """Change a course's times, visit, language, number."""
    STEER_COURSES = "steer_courses"
    """Pause, resume and end a course, send a message again."""
    SEE_REPLIES = "see_replies"
    """What patients wrote, concerns, the chart record."""
    WORK_CONCERNS = "work_concerns"
    """Take, note, hand over, close and reopen concerns."""
    READ_PLANS = "read_plans"
    APPROVE_PLANS = "approve_plans"
    RUN_PRACTICE = "run_practice"
    """See settings and transports, invite staff, give and take roles."""


_DESK = frozenset({Right.ENROLL, Right.SEE_COURSES, Right.CHANGE_FACTS, Right.READ_PLANS})
_NURSE = _DESK | {Right.STEER_COURSES, Right.SEE_REPLIES, Right.WORK_CONCERNS}
RIGHTS: Mapping[Role, frozenset[Right]] = MappingProxyType(
    {
        Role.FRONT_DESK: _DESK,
        Role.NURSE: _NURSE,
        Role.CLINICIAN: _NURSE | {Right.APPROVE_PLANS},
        # whoever runs the program sees no patient by that
        Role.ADMINISTRATOR: frozenset({Right.RUN_PRACTICE, Right.READ_PLANS}),
    }
)


def rights_of(roles: Iterable[str]) -> frozenset[Right]:
    """Return what somebody with these roles may do; a role that this program does not know gives nothing."""
    known = [Role(each) for each in roles if each in set(Role)]
    return frozenset().union(*(RIGHTS[role] for role in known))
