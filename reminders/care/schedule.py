"""The schedule of one course: from the plan and the patient's facts to messages with their reasons.

The steps follow in one order: patient factors select instructions and words, timing, quiet hours, what is said
anyway, joining, daily limit. The same input always gives the same schedule.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache

from reminders.care.circumstances import Circumstances, OtherMessage
from reminders.care.daily_limit import limit_days
from reminders.care.joining import Fits, join
from reminders.care.moments import Moment, days_over, goes_by_days, moments, moments_of_days, names_in
from reminders.care.placing import Bounds, place
from reminders.care.plan import BASE_ANCHORS, Instruction, Plan, TextChoice
from reminders.care.recent import Recent
from reminders.care.resolving import Resolved
from reminders.care.said_once import say_once
from reminders.care.timing import local_day
from reminders.care.timings import BeforeVisit, EachDay
from reminders.care.values import Asks, ContactRules, Joined, Occurrence, Outcome, Reason
from reminders.sentences import english

__all__ = ["Circumstances", "OtherMessage", "expand", "schedule"]

SAME_SLOT = timedelta(hours=4)
"""A patient who moves a slot by less than this after it was used that day is not told again the same day."""


def schedule(resolved: Resolved, rules: ContactRules, now: Circumstances, *, fits: Fits) -> tuple[Joined, ...]:
    """Return every message of the course in send order, those withheld or said at the desk among them."""
    course = resolved.course
    occurrences = say_once(expand(resolved, rules, now), resolved, rules, now.others)
    due = [each for each in occurrences if each.outcome is Outcome.SCHEDULED]
    taken = (*(other.send_at for other in now.others), *now.sent_at)
    desk = next((each for each in due if _goes_out_at_the_desk(each, resolved.plan, now)), None)
    spoken = _spoken(occurrences, desk, fits)

    def fits_beside(members: Sequence[Occurrence], *, said_now: Sequence[Occurrence] = ()) -> bool:
        # What is said at the desk comes before what could be sent by itself.
        return fits(members, said_now=spoken if any(each is desk for each in members) else said_now)

    joined = join(due, course, rules, fits=fits_beside if spoken else fits, others=taken)
    messages = limit_days(joined, course, rules, others=taken)
    if spoken:
        messages = [_saying(spoken, each) if any(e is desk for e in each.members) else each for each in messages]
    messages += [each.alone for each in occurrences if each.outcome is not Outcome.SCHEDULED]
    messages.sort(key=_order)
    return tuple(messages)


def _order(message: Joined) -> tuple[datetime, int, str]:
    first = message.members[0]
    return message.send_at, first.importance, first.key


def expand(resolved: Resolved, rules: ContactRules, now: Circumstances) -> list[Occurrence]:
    """Return every occurrence of the course, each alone: factors, timing and quiet hours applied."""
    selected = _selected(resolved.plan, resolved.marks)
    if not now.spent:
        alike = _alike(resolved, rules, now)
        return [each for said in selected for each in alike.of(said, resolved)]
    bounds = Bounds(course=resolved.course, rules=rules, now=now)
    return [
        _occurrence(said, number, moment, resolved, bounds)
        for said in selected
        for number, moment in _numbered(said.instruction, resolved, now)
    ]


class _Alike:
    """What patients share whose procedures ended together: occurrences that follow from the same settings and anchors.

    They may differ in language, in factors, and in whatever else an instruction does not ask for.
    """

    def __init__(self, resolved: Resolved, rules: ContactRules, now: Circumstances) -> None:
        self._bounds = Bounds(course=resolved.course, rules=rules, now=now)
        self._days: _Days | None = None
        self._kept: dict[Hashable, list[Occurrence]] = {}

    def of(self, said: _Said, resolved: Resolved) -> list[Occurrence]:
        """Return the occurrences of an instruction, by number."""
        anchors = resolved.anchors
        key = (
            said,
            *[resolved.settings[name] for name in said.settings],
            *[anchors.get(name) for name in said.anchors],
        )
        found = self._kept.get(key)
        if found is None:
            found = self._by_days(said, resolved) if said.by_days else self._by_moments(said, resolved)
            self._kept[key] = found
        return found

    def _by_moments(self, said: _Said, resolved: Resolved) -> list[Occurrence]:
        found = enumerate(moments(said.instruction, resolved), start=1)
        return [_occurrence(said, number, moment, resolved, self._bounds) for number, moment in found]

    def _by_days(self, said: _Said, resolved: Resolved) -> list[Occurrence]:
        rules, not_before = self._bounds.rules, self._bounds.now.not_before
        if self._days is None:
            self._days = _days_of(resolved, rules)
        return [
            _occurrence(said, number, moment, resolved, self._bounds)
            if undisturbed is None or moment.planned_at < not_before
            else undisturbed
            for number, (moment, undisturbed) in enumerate(self._days.of(said, resolved), start=1)
        ]


_ALIKE: Recent[_Alike] = Recent(512)


def _alike(resolved: Resolved, rules: ContactRules, now: Circumstances) -> _Alike:
    course = resolved.course
    key = (
        course.procedure_end,
        course.zone,
        course.channel,
        course.night_contact_agreed,
        tuple(course.slots.items()),
        rules.quiet,
        rules.before_quiet,
        now.not_before,
        now.at_desk,
    )
    return _ALIKE.get(key, lambda: _Alike(resolved, rules, now))


class _Days:
    """What patients share who had the procedure on one day and whose days go alike: most of their occurrences."""

    def __init__(self, resolved: Resolved, rules: ContactRules) -> None:
        self._bounds = Bounds(
            course=resolved.course, rules=rules, now=Circumstances(not_before=datetime.min.replace(tzinfo=UTC))
        )
        self._moments: dict[Hashable, list[Moment]] = {}
        self._kept: dict[Hashable, list[tuple[Moment, Occurrence | None]]] = {}

    def of(self, said: _Said, resolved: Resolved) -> list[tuple[Moment, Occurrence | None]]:
        """Return the moments of an instruction that goes by days, each with its occurrence if it is still to come.

        None stands for one that quiet hours touch.
        """
        visit = resolved.anchors.get("visit") if "visit" in said.anchors else None
        visit_on = visit and local_day(visit, resolved.course.zone)
        key = (said, visit_on, *[resolved.settings[name] for name in said.settings])
        moments = self._moments.get(key)
        if moments is None:
            moments = self._moments[key] = moments_of_days(said.instruction, resolved)
        over = days_over(moments, said.instruction, resolved)
        found = self._kept.get((key, over))
        if found is None:
            coming = enumerate(moments[over:], start=1)
            found = [(moment, self._undisturbed(said, at, moment, resolved)) for at, moment in coming]
            self._kept[key, over] = found
        return found

    def _undisturbed(self, said: _Said, number: int, moment: Moment, resolved: Resolved) -> Occurrence | None:
        if self._bounds.rules.quiet.is_quiet(moment.planned_at, resolved.course.zone):
            return None
        return _occurrence(said, number, moment, resolved, self._bounds)


_DAYS: Recent[_Days] = Recent(256)


def _days_of(resolved: Resolved, rules: ContactRules) -> _Days:
    course = resolved.course
    key = (rules.quiet, course.day_0, course.zone, course.channel, tuple(course.slots.items()))
    return _DAYS.get(key, lambda: _Days(resolved, rules))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Said:
    """An instruction that is for this patient, in which words, and why."""

    instruction: Instruction
    text_name: str
    asks: Asks | None
    at_desk: bool
    """It is the message sent at the desk."""
    by_days: bool
    """Patients of one day share its occurrences."""
    settings: tuple[str, ...]
    """Those that its moments follow from."""
    anchors: tuple[str, ...]
    """The same."""
    reasons: tuple[Reason, ...]


@lru_cache(maxsize=1024)  # most patients of a plan have one of few combinations of factors
def _selected(plan: Plan, marks: frozenset[str]) -> tuple[_Said, ...]:
    return tuple(_said(each, plan, marks) for each in plan.instructions if each.applies(marks))


def _said(instruction: Instruction, plan: Plan, marks: frozenset[str]) -> _Said:
    choice = instruction.text_choice(marks)
    return _known_said(
        plan,
        instruction.key,
        choice.use if choice else instruction.key,
        instruction.asks if choice is None or choice.asks is None else (choice.asks or None),
        tuple(_factor_reasons(instruction, marks, choice)),
    )


@lru_cache(maxsize=4096)  # one and the same for all to whom it is said alike
def _known_said(plan: Plan, key: str, text_name: str, asks: Asks | None, reasons: tuple[Reason, ...]) -> _Said:
    instruction = plan.instruction(key)
    names = {instruction.useful_until, *(name for when in instruction.when for name in names_in(when))}
    return _Said(
        instruction=instruction,
        text_name=text_name,
        asks=asks,
        at_desk=key == plan.file.desk_message,
        by_days=instruction.useful_hours is not None and goes_by_days(instruction),
        settings=tuple(name for name in plan.file.settings if name in names),
        anchors=tuple(name for name in (*BASE_ANCHORS, *plan.file.anchors) if name in names),
        reasons=reasons,
    )


def _factor_reasons(instruction: Instruction, marks: frozenset[str], choice: TextChoice | None) -> Iterator[Reason]:
    because = (
        (english("added for this patient: {factors}"), instruction.only_if_any),
        (english("other words for this patient: {factors}"), (*choice.if_any, *choice.if_all) if choice else ()),
        (english("some words changed for this patient: {factors}"), instruction.words_change_with),
    )
    for sentence, names in because:
        if not marks.isdisjoint(names):
            held = ", ".join(sorted(marks.intersection(names))).replace("_", " ")
            yield Reason(rule="patient_factor", text=sentence.format(factors=held))


def _numbered(instruction: Instruction, resolved: Resolved, now: Circumstances) -> Iterator[tuple[int, Moment]]:
    """Give the moments numbers from 1, leaving out what was said before, so that nothing is ever said twice.

    Moments of a daily instruction shift when facts change, and another visit needs another reminder: those after
    the last one said follow its number. All others keep their place in the list.
    """
    found = moments(instruction, resolved)
    spent = now.spent.get(instruction.key)
    if not spent:
        return enumerate(found, start=1)
    last = max(spent)
    if any(isinstance(when, EachDay | BeforeVisit) for when in instruction.when):
        said_at = _said_at(max(spent.values()), found, resolved)
        return enumerate((moment for moment in found if moment.planned_at > said_at), start=last + 1)
    return ((number, moment) for number, moment in enumerate(found, start=1) if number > last)


def _said_at(last: datetime, found: Sequence[Moment], resolved: Resolved) -> datetime:
    """Return the instant up to which an instruction was said; a slot whose time has changed since counts as said."""
    zone = resolved.course.zone
    nearest = min((moment.planned_at for moment in found), key=lambda instant: abs(instant - last), default=last)
    same_day = local_day(nearest, zone) == local_day(last, zone)
    return max(last, nearest) if same_day and abs(nearest - last) < SAME_SLOT else last


def _occurrence(said: _Said, number: int, moment: Moment, resolved: Resolved, bounds: Bounds) -> Occurrence:
    instruction = said.instruction
    useful_until = _useful_until(instruction, moment, resolved)
    placed = place(moment.planned_at, useful_until, instruction, bounds)
    return Occurrence(
        key=instruction.key,
        occurrence=number,
        text_name=said.text_name,
        channel=resolved.course.channel,
        planned_at=moment.planned_at,
        send_at=placed.send_at,
        useful_until=max(useful_until, placed.send_at),
        outcome=placed.outcome,
        required=instruction.required,
        importance=instruction.importance,
        in_doubt=instruction.in_doubt,
        asks=said.asks,
        must_precede=moment.must_precede or said.at_desk,
        reasons=(*said.reasons, moment.reason, *placed.reasons),
    )


def _useful_until(instruction: Instruction, moment: Moment, resolved: Resolved) -> datetime:
    if instruction.useful_hours is not None:
        return moment.planned_at + timedelta(hours=instruction.useful_hours)
    return resolved.anchors.get(instruction.useful_until or "", moment.planned_at)


def _goes_out_at_the_desk(each: Occurrence, plan: Plan, now: Circumstances) -> bool:
    return each.key == plan.file.desk_message and each.send_at == now.not_before


def _spoken(occurrences: Sequence[Occurrence], desk: Occurrence | None, fits: Fits) -> tuple[Occurrence, ...]:
    """Return what is said at the desk and fits into the message sent there, most important first, each text once."""
    if desk is None:
        return ()
    put_in: list[Occurrence] = []
    at_checkout = [each for each in occurrences if each.outcome is Outcome.AT_CHECKOUT]
    for each in sorted(at_checkout, key=lambda each: (each.importance, each.planned_at)):
        said_already = any(other.text_name == each.text_name for other in put_in)
        if not said_already and fits([desk], said_now=[*put_in, each]):
            put_in.append(each)
    return tuple(put_in)


def _saying(spoken: tuple[Occurrence, ...], message: Joined) -> Joined:
    text = english("also says {keys}").format(keys=", ".join(each.key for each in spoken))
    reason = Reason(rule="at_checkout", text=text)
    return replace(message, said_now=spoken, reasons=(*message.reasons, reason))
