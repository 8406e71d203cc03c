"""One case worked out: its messages as they would be sent, and what the rules need to know about them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property, lru_cache

from reminders.care.joining import Fits
from reminders.care.plan import Instruction, Plan
from reminders.care.resolving import Resolved, resolve
from reminders.care.schedule import Circumstances, expand, schedule
from reminders.care.values import Channel, ContactRules, Joined, Occurrence, Outcome
from reminders.desk.composing import House
from reminders.desk.prove.cases import Case
from reminders.wording.render import CourseWording, Wording


@dataclass(frozen=True, kw_only=True)
class Trial:
    """A case with its messages in send order."""

    case: Case
    plan: Plan
    resolved: Resolved
    messages: tuple[Joined, ...]
    rules: ContactRules
    whole: bool
    """All messages of the course; False when one instruction was tried by itself."""

    def occurrences(self) -> Iterator[tuple[Joined, Occurrence]]:
        """Yield every occurrence with the message that says it."""
        for message in self.messages:
            for each in message.members:
                yield message, each

    @cached_property
    def said(self) -> Mapping[str, list[tuple[Joined, Occurrence]]]:
        """Every occurrence of each instruction with the message that says it, in send order."""
        found: dict[str, list[tuple[Joined, Occurrence]]] = {}
        for message in self.messages:
            for each in message.members:
                if each.key in found:
                    found[each.key].append((message, each))
                else:
                    found[each.key] = [(message, each)]
        return found

    @cached_property
    def told_to_stop(self) -> Mapping[str, datetime]:
        """For each key that another instruction ends, when the patient is first told so."""
        ends: dict[str, datetime] = {}
        for key, stopped in _stopping(self.plan):
            told = [m.send_at for m, _ in self.said.get(key, ()) if m.outcome is not Outcome.WITHHELD]
            for each in stopped if told else ():
                ends[each] = min(*told, ends.get(each, told[0]))
        return ends

    @cached_property
    def applying(self) -> tuple[Instruction, ...]:
        """The instructions that are for this patient."""
        return _applying(self.resolved.plan, self.resolved.marks)


@lru_cache(maxsize=16)
def _stopping(plan: Plan) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return the keys of what ends others, with the keys that it ends."""
    return tuple((each.key, each.contradicts) for each in plan.instructions if each.contradicts)


@lru_cache(maxsize=4096)
def _applying(plan: Plan, marks: frozenset[str]) -> tuple[Instruction, ...]:
    return tuple(each for each in plan.instructions if each.applies(marks))


@dataclass(frozen=True, kw_only=True)
class Decision:
    """One question whether occurrences fit into one message, and the answer."""

    members: tuple[Occurrence, ...]
    said_now: tuple[Occurrence, ...]
    fits: bool


class UnwritableError(Exception):
    """A text that can't be written for a patient, as it uses a value in a way that the value does not allow."""

    def __init__(self, each: Occurrence, reason: str) -> None:
        self.each = each
        self.reason = reason
        super().__init__(reason)


class Bench:
    """Works out cases of one plan as the program itself would."""

    def __init__(self, plan: Plan, wording: Wording, house: House) -> None:
        self.plan = plan
        self.wording = wording
        self.house = house
        self._alone: dict[str, Plan] = {}

    def whole(self, case: Case) -> tuple[Trial, CourseWording]:
        """Return the whole course with its words; InputError when the plan does not allow the case's facts."""
        trial, words, _ = self.decided(case)
        return trial, words

    def decided(self, case: Case) -> tuple[Trial, CourseWording, list[Decision]]:
        """Return the whole course, and every question about length on which it hung."""
        resolved = resolve(self.plan, case.course())
        words = self.words(resolved)
        decisions: list[Decision] = []
        return self._scheduled(case, resolved, _asking(words, self.house.segment_limit, decisions)), words, decisions

    def in_other_words(self, case: Case, decisions: Sequence[Decision]) -> Trial | None:
        """Return the same case in another language or channel; None when its schedule must be the same.

        The schedule looks at words only to ask whether they fit; where every answer is the same, so is the rest.
        """
        resolved = resolve(self.plan, case.course())
        words, limit = self.words(resolved), self.house.segment_limit

        def there(members: Sequence[Occurrence]) -> list[Occurrence]:
            return [replace(each, channel=case.channel) for each in members]

        answers = (
            words.fits(there(each.members), most_segments=limit, said_now=there(each.said_now)) is each.fits
            for each in decisions
        )
        same = all(each.fits for each in decisions) if case.channel is Channel.EMAIL else all(answers)
        if same:
            return None
        return self._scheduled(case, resolved, _asking(words, limit, []))

    def alone(self, case: Case, key: str) -> Trial:
        """Return one instruction of the course by itself, before joining and the daily limit."""
        plan = self._alone.get(key)
        if plan is None:
            instruction = self.plan.instruction(key)
            plan = replace(self.plan, file=self.plan.file.model_copy(update={"instruction": (instruction,)}))
            self._alone[key] = plan
        resolved = resolve(plan, case.course())
        now = Circumstances(not_before=resolved.course.procedure_end)
        messages = tuple(each.alone for each in expand(resolved, self.house.rules, now))
        return self._trial(case, resolved, messages, whole=False)

    def words(self, resolved: Resolved, *, language: str | None = None) -> CourseWording:
        """Return what renders a course, in another language if one is named."""
        if language is not None:
            resolved = replace(resolved, course=replace(resolved.course, language=language))
        return self.wording.for_course(resolved, self.house.sender, first_name="")

    def _scheduled(self, case: Case, resolved: Resolved, fits: Fits) -> Trial:
        now = Circumstances(not_before=resolved.course.procedure_end)
        return self._trial(case, resolved, schedule(resolved, self.house.rules, now, fits=fits), whole=True)

    def _trial(self, case: Case, resolved: Resolved, messages: tuple[Joined, ...], *, whole: bool) -> Trial:
        rules = self.house.rules
        return Trial(case=case, plan=self.plan, resolved=resolved, messages=messages, rules=rules, whole=whole)


def _asking(words: CourseWording, limit: int, decisions: list[Decision]) -> Callable[..., bool]:
    def fits(members: Sequence[Occurrence], *, said_now: Sequence[Occurrence] = ()) -> bool:
        # An e-mail has no segments; rendering it only to learn that would take most of the proof's time.
        by_email = members[0].channel is Channel.EMAIL
        try:
            answer = by_email or words.fits(members, most_segments=limit, said_now=said_now)
        except (AttributeError, TypeError, ValueError) as error:
            raise UnwritableError(members[0], str(error)) from error
        decisions.append(Decision(members=tuple(members), said_now=tuple(said_now), fits=answer))
        return answer

    return fits
