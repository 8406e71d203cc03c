"""How urgent the signs of a reply are, given the day of the course and the patient's factors."""

from __future__ import annotations

from dataclasses import dataclass

from reminders.replies.judging import Sign
from reminders.replies.labels import EMERGENCY_SIGNS, ROUTINE_SIGNS, SIGNS, Evidence, Label
from reminders.replies.pain import MODERATE_PAIN, SEVERE_PAIN, PainScore
from reminders.replies.scope import Standing

LOWERED = frozenset({"diabetes", "poor_circulation", "neuropathy", "immunosuppressed"})
"""Factors with which a foot wound goes wrong sooner and more quietly (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Patient:
    """What is known of the patient when the reply comes in."""

    day: int | None
    """Day of the course, 0 the day of the procedure; None when unknown."""
    factors: frozenset[str]

    @property
    def lowered(self) -> bool:
        """Whether thresholds are lower for this patient."""
        return not self.factors.isdisjoint(LOWERED)

    @property
    def early(self) -> bool:
        """Whether pain may still be expected to rise: the day of the procedure and the day after."""
        return self.day is not None and self.day <= 1 and not self.lowered


@dataclass(frozen=True, kw_only=True)
class Ranked:
    """The urgency of all signs together; `label` is None when none of them needs a person."""

    label: Label | None
    signs: tuple[str, ...]
    why: tuple[Evidence, ...]


_NOTHING = Ranked(label=None, signs=(), why=())
_ORDER = (None, Label.ROUTINE, Label.URGENT, Label.EMERGENCY)


def rank(signs: tuple[Sign, ...], score: PainScore | None, patient: Patient) -> Ranked:
    """Rank the signs that count and the current pain score; the most urgent one decides."""
    if not signs and score is None:
        return _NOTHING
    urgency: dict[str, Label] = {}
    why: list[Evidence] = []
    for sign in signs:
        label = _label(sign, signs, patient)
        if label is None:
            continue
        name = "bleeding" if sign.name == "heavy_bleeding" and sign.standing is Standing.OVER else sign.name
        if name == "net":
            name = "unclear"
        if name == "numb_late" and label is Label.ROUTINE:
            name = "question"
        urgency[name] = _higher(urgency.get(name), label)
        why.append(sign.evidence)
    if score is not None and (score.value or 0) >= SEVERE_PAIN:
        urgency["pain_high"] = Label.URGENT
    if score is not None and score.rising and (score.value or 0) >= MODERATE_PAIN and not patient.early:
        urgency["pain_worse"] = Label.URGENT
    if _sepsis(signs):
        urgency["fever"] = Label.EMERGENCY
    if len(urgency) > 1 and urgency.get("unclear") is Label.URGENT:
        urgent = [name for name, label in urgency.items() if label is not Label.ROUTINE]
        if len(urgent) > 1:
            del urgency["unclear"]
    label = None
    for one in urgency.values():
        label = _higher(label, one)
    return Ranked(label=label, signs=tuple(sorted(urgency, key=SIGNS.index)), why=tuple(why))


def _higher(one: Label | None, other: Label) -> Label:
    return other if _ORDER.index(other) > _ORDER.index(one) else one or other


def _label(sign: Sign, signs: tuple[Sign, ...], patient: Patient) -> Label | None:
    """Tell what one sign asks for, None when it does not count."""
    if sign.name == "fever" and sign.mild and not sign.standing.counts:
        return Label.URGENT if patient.lowered else None
    if not sign.standing.counts:
        return None
    if sign.name in EMERGENCY_SIGNS:
        over = sign.name == "heavy_bleeding" and sign.standing is Standing.OVER
        return Label.URGENT if over else Label.EMERGENCY
    if sign.name == "bleeding":
        return _bleeding(sign, signs, patient)
    return Label.ROUTINE if sign.name in ROUTINE_SIGNS or _expected(sign, patient) else Label.URGENT


def _expected(sign: Sign, patient: Patient) -> bool:
    """Numbness while the block lasts, and more pain when it wears off; pain is to fall after the second day.

    Medscape, "Digital nerve block": a block with bupivacaine may last about a day.
    """
    if sign.name == "numb_late":
        return sign.early or (patient.day is not None and patient.day <= 0)
    return sign.name == "pain_worse" and patient.early


def _bleeding(sign: Sign, signs: tuple[Sign, ...], patient: Patient) -> Label | None:
    """Bleeding now is urgent; over, or a trace, is for the next working day."""
    if sign.standing is Standing.OVER:
        return Label.ROUTINE
    if sign.mild and not sign.active and not patient.lowered:
        drained = any(one.name == "drainage" and one.standing.counts for one in signs)
        return None if drained else Label.ROUTINE
    return Label.URGENT


def _sepsis(signs: tuple[Sign, ...]) -> bool:
    """High fever with shaking (NI Direct, "Recognising signs and symptoms of sepsis")."""
    if not any(sign.high for sign in signs):
        return False
    present = [sign for sign in signs if sign.standing is Standing.PRESENT]
    return any(s.high for s in present) and any(s.name == "chills" for s in present)
