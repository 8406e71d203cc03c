"""The schedule of one course: from the plan and the patient's facts to messages with their reasons.

The steps follow in one order: patient factors select instructions and words, timing, quiet hours, other courses
of the same patient, joining, daily limit. The same input always gives the same schedule.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from types import MappingProxyType

from reminders.care.daily_limit import limit_days
from reminders.care.joining import Fits, join
from reminders.care.moments import Moment, clock_text, moments
from reminders.care.placing import Place, Wish, place
from reminders.care.plan import EachDay, Instruction, Plan, TextChoice
from reminders.care.resolving import Resolved
from reminders.care.values import ContactRules, Course, Joined, Occurrence, Outcome, Reason

SAME_TIME = timedelta(hours=1)
"""Two courses say the same thing once when their messages are no further apart than this."""

_NOTHING_SPENT: Mapping[str, Mapping[int, datetime]] = MappingProxyType({})


@dataclass(frozen=True, kw_only=True)
class OtherMessage:
    """A message of another course of the same patient that is due or went out."""

    procedure: str
    key: str
    text_name: str
    send_at: datetime


@dataclass(frozen=True, kw_only=True)
class Circumstances:
    """What is known at the moment of scheduling beside the course itself."""

    not_before: datetime
    """Nothing can go out earlier; at enrollment the later of now and the procedure's end."""
    at_desk: bool = True
    """The patient still stands at the desk, so what fits nowhere else can be said there."""
    spent: Mapping[str, Mapping[int, datetime]] = field(default_factory=lambda: _NOTHING_SPENT)
    """By key and occurrence, when what can't be planned again was planned: it was sent, or said at the desk."""
    others: tuple[OtherMessage, ...] = ()
    sent_at: tuple[datetime, ...] = ()
    """When this course's own messages went out, for the daily limit."""


def schedule(resolved: Resolved, rules: ContactRules, now: Circumstances, *, fits: Fits) -> tuple[Joined, ...]:
    """Return every message of the course in send order, those withheld or said at the desk among them."""
    plan, course = resolved.plan, resolved.course
    occurrences = expand(resolved, rules, now)
    occurrences = [_say_once(each, plan, course, now.others) for each in occurrences]
    due = [each for each in occurrences if each.outcome is Outcome.SCHEDULED]
    rest = [_alone(each) for each in occurrences if each.outcome is not Outcome.SCHEDULED]
    joined = join(due, course, rules, fits=fits)
    taken = (*(other.send_at for other in now.others), *now.sent_at)
    messages = [*limit_days(joined, course, rules, others=taken), *rest]
    messages = _into_desk_message(messages, plan, now, fits)
    return tuple(sorted(messages, key=lambda each: (each.send_at, each.importance, each.first.key)))


def expand(resolved: Resolved, rules: ContactRules, now: Circumstances) -> list[Occurrence]:
    """Return every occurrence of the course, each alone: factors, timing and quiet hours applied."""
    found: list[Occurrence] = []
    for instruction in resolved.plan.instructions:
        if instruction.applies(resolved.marks):
            for number, moment in _numbered(instruction, moments(instruction, resolved), now):
                wish = Wish(
                    planned_at=moment.planned_at,
                    useful_until=_useful_until(instruction, moment, resolved),
                    quiet=instruction.quiet,
                    required=instruction.required,
                )
                placed = place(wish, resolved.course, rules, not_before=now.not_before, at_desk=now.at_desk)
                found.append(_occurrence(instruction, (number, moment), wish, placed, resolved))
    return found


def _numbered(instruction: Instruction, found: Sequence[Moment], now: Circumstances) -> Iterator[tuple[int, Moment]]:
    """Give the moments numbers from 1, leaving out what was said before, so that nothing is ever said twice.

    Moments of a daily instruction shift when facts change; those after the last one said follow its number.
    """
    spent = now.spent.get(instruction.key, {})
    if spent and any(isinstance(when, EachDay) for when in instruction.when):
        last_planned_at = max(spent.values())
        later = (moment for moment in found if moment.planned_at > last_planned_at)
        yield from enumerate(later, start=max(spent) + 1)
        return
    for number, moment in enumerate(found, start=1):
        if number not in spent:
            yield number, moment


def _occurrence(
    instruction: Instruction, numbered: tuple[int, Moment], wish: Wish, placed: Place, resolved: Resolved
) -> Occurrence:
    number, moment = numbered
    choice = instruction.text_choice(resolved.marks)
    asks = instruction.asks if choice is None or choice.asks is None else (choice.asks or None)
    return Occurrence(
        key=instruction.key,
        occurrence=number,
        text_name=choice.use if choice else instruction.key,
        channel=resolved.course.channel,
        planned_at=moment.planned_at,
        send_at=placed.send_at,
        useful_until=max(wish.useful_until, placed.send_at),
        outcome=placed.outcome,
        required=instruction.required,
        importance=instruction.importance,
        in_doubt=instruction.in_doubt,
        asks=asks,
        must_precede=moment.must_precede,
        reasons=(
            *_factor_reasons(instruction, resolved.marks, choice),
            Reason(rule="timing", text=moment.because),
            *placed.reasons,
        ),
    )


def _useful_until(instruction: Instruction, moment: Moment, resolved: Resolved) -> datetime:
    if instruction.useful_hours is not None:
        return moment.planned_at + timedelta(hours=instruction.useful_hours)
    anchor = resolved.anchors.get(instruction.useful_until or "")
    return anchor if anchor is not None else moment.planned_at


def _factor_reasons(instruction: Instruction, marks: frozenset[str], choice: TextChoice | None) -> Iterator[Reason]:
    selected = sorted(marks.intersection(instruction.only_if_any))
    if selected:
        yield Reason(rule="patient_factor", text=f"added for this patient: {_in_words(selected)}")
    if choice:
        because = sorted(marks.intersection((*choice.if_any, *choice.if_all)))
        yield Reason(rule="patient_factor", text=f"other words for this patient: {_in_words(because)}")
    changed = sorted(marks.intersection(instruction.words_change_with))
    if changed:
        yield Reason(rule="patient_factor", text=f"some words changed for this patient: {_in_words(changed)}")


def _in_words(names: Sequence[str]) -> str:
    return ", ".join(name.replace("_", " ") for name in names)


def _say_once(each: Occurrence, plan: Plan, course: Course, others: Sequence[OtherMessage]) -> Occurrence:
    """Withhold an occurrence that another course of the patient says at about the same time in the same words.

    Courses that name their sites have to speak for themselves.
    """
    if each.outcome is not Outcome.SCHEDULED or course.overlaps:
        return each
    for other in others:
        same = (other.procedure, other.key, other.text_name) == (plan.procedure, each.key, each.text_name)
        if same and abs(other.send_at - each.send_at) <= SAME_TIME:
            text = f"said once: the other course says it at {clock_text(other.send_at, course)}"
            reasons = (*each.reasons, Reason(rule="said_once", text=text))
            return replace(each, outcome=Outcome.WITHHELD, reasons=reasons)
    return each


def _alone(each: Occurrence) -> Joined:
    return Joined(
        members=(each,),
        send_at=each.send_at,
        useful_until=each.useful_until,
        outcome=each.outcome,
        reasons=each.reasons,
    )


def _into_desk_message(messages: Sequence[Joined], plan: Plan, now: Circumstances, fits: Fits) -> list[Joined]:
    """Put what is said at the desk into the message sent there, most important first, as far as it fits."""
    spoken = [each.first for each in messages if each.outcome is Outcome.AT_CHECKOUT]
    spoken.sort(key=lambda each: (each.importance, each.planned_at))
    put_in: list[Occurrence] = []
    placed: list[Joined] = []
    for message in messages:
        at_desk = message.first.key == plan.file.desk_message and message.send_at == now.not_before
        if spoken and at_desk and message.outcome is Outcome.SCHEDULED:
            for each in spoken:
                said_already = any(other.text_name == each.text_name for other in put_in)
                if not said_already and fits(message.members, said_now=[*put_in, each]):
                    put_in.append(each)
            reason = Reason(rule="at_checkout", text=f"also says {', '.join(each.key for each in put_in)}")
            reasons = (*message.reasons, reason) if put_in else message.reasons
            placed.append(replace(message, said_now=tuple(put_in), reasons=reasons))
        else:
            placed.append(message)
    return placed
