"""The values a triage gives back: label, evidence, result, and the order of severity of signs."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Label(StrEnum):
    """What a reply asks of the practice; when two apply the one higher in `PRECEDENCE` wins."""

    EMERGENCY = "emergency"  #: public guidance says: call the emergency number now
    URGENT = "urgent"  #: a clinician calls back today
    ROUTINE = "routine"  #: a person reads and answers by the next working day
    NONE = "none"  #: nobody needs to do anything
    STOP = "stop"  #: consent to automated messages is revoked
    START = "start"  #: consent is given again
    HELP = "help"  #: asks who writes and how to reach a person
    WRONG_PERSON = "wrong_person"  #: the number does not belong to the patient


PRECEDENCE: tuple[Label, ...] = (
    Label.EMERGENCY,
    Label.URGENT,
    Label.STOP,
    Label.WRONG_PERSON,
    Label.ROUTINE,
    Label.START,
    Label.HELP,
    Label.NONE,
)
"""Highest first: a sign that cannot wait comes before a revocation, which is honoured all the same."""

EMERGENCY_SIGNS: tuple[str, ...] = (
    "breathing",
    "swelling_face",
    "chest_pain",
    "collapse",
    "heavy_bleeding",
    "overdose",
    "self_harm",
)
"""MedlinePlus, "Recognizing medical emergencies" (2024); NHS, "Anaphylaxis" (2023)."""

URGENT_SIGNS: tuple[str, ...] = (
    "spreading_redness",
    "streaks",
    "pus",
    "smell",
    "fever",
    "chills",
    "pain_high",
    "pain_worse",
    "colour_change",
    "cold",
    "numb_late",
    "leg_swelling",
    "rash",
    "wound_open",
    "burn_beyond",
    "vomiting",
    "glucose_high",
    "bleeding",
)
"""Regina Qu'Appelle, "Surgical site infections"; Allina Health, "When to call your doctor" (2019)."""

ROUTINE_SIGNS: tuple[str, ...] = (
    "drainage",
    "itching",
    "stuck_dressing",
    "supplies",
    "reschedule",
    "medicine_question",
    "question",
    "callback",
    "complaint",
    "unclear",
)

SIGNS: tuple[str, ...] = EMERGENCY_SIGNS + URGENT_SIGNS + ROUTINE_SIGNS
"""All signs, most severe first; the order in which a result lists them."""


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """One thing the reply says and what was concluded from it."""

    rule: str
    """Name of the rule, such as `sign.pus` or `answer.pain_score`."""
    words: str
    """The exact text of the reply from `start` to `end`."""
    start: int
    end: int
    note: str
    """One sentence for staff; for denied signs, why the sign does not count."""


@dataclass(frozen=True, kw_only=True)
class Triage:
    """What one reply (or several sent within minutes) says, and the words that led there."""

    label: Label
    signs: tuple[str, ...]
    """Names from `SIGNS`, most severe first."""
    why: tuple[Evidence, ...]
    denied: tuple[Evidence, ...]
    """Signs that are named but negated, past, imagined, or another person's."""
    language: str
    """ISO 639 code of the language read, `und` when none was recognised."""
    opt_out: bool
    """The reply also revokes consent to automated messages, whatever the label."""
    wrong_person: bool
    """The reply also says that the number is not the patient's, whatever the label."""
    pain_score: int | None
    """The current pain score of 0 to 10, the highest when several are current."""

    @property
    def needs_person(self) -> bool:
        """Whether staff must see the reply."""
        closed = {Label.NONE, Label.STOP, Label.START, Label.HELP}
        return self.label not in closed or self.wrong_person
