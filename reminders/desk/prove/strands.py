"""The cases of the proof: which courses are tried, in what depth, and how many they stand for.

Four blocks. `alone`: each instruction by itself, with every value of the settings it depends on, at every turning
point; where it ends up hangs on nothing else. `together`: whole courses of the patients who get the most, as joining
and the daily limit only look at what is near. `kinds`: every selection of instructions and texts that any patient
gets. `words`: every text for every set of conditions that changes it, or that bars a medicine.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, time
from enum import StrEnum
from functools import cached_property
from math import prod

from reminders.care.plan import MEDICINE_MARKS, Instruction, NumberSetting, Plan
from reminders.care.resolving import Resolved, resolve
from reminders.care.values import Channel
from reminders.desk.prove.cases import SIMPLEST_DAY, SIMPLEST_ZONE, Case
from reminders.desk.prove.choices import (
    AS_IT_IS,
    BLOCK_STARTS,
    OTHER_SLOTS,
    VISITS,
    Choice,
    choices_for,
    completed,
    courses,
    ends_of,
    settings_of,
    values_of,
)
from reminders.desk.prove.days import Season, seasons
from reminders.desk.prove.patients import Kind, Population, cover, fullest, population, selection
from reminders.desk.prove.text_files import TextFiles
from reminders.desk.prove.trial import Bench
from reminders.desk.prove.turning_points import every_minute, minutes_alone, minutes_together
from reminders.errors import InputError

WORDS_MINUTES = (6 * 60, 10 * 60, 15 * 60 + 30, 16 * 60 + 45, 18 * 60 + 10, 20 * 60 + 50, 21 * 60 + 30)
"""Enrollments that say each text in each of its ways: at the desk, moved earlier, now; the day begins at 0."""
HOURS_TOGETHER = 4
"""Enrollments of so many hours are tried one after the other: the program keeps what those share who end together."""
WIDE_DAY = date(2026, 9, 9)
"""A Wednesday in September: its dates are the longest to write."""


class Depth(StrEnum):
    """What is worked out for each case of a strand."""

    ALONE = "alone"
    TOGETHER = "together"
    KINDS = "kinds"
    WORDS = "words"


class Effort(StrEnum):
    """How much is tried."""

    QUICK = "quick"  # few days; for tests that change one thing at a time
    FULL = "full"
    EXHAUSTIVE = "exhaustive"  # every minute of the day, every kind of patient


@dataclass(frozen=True, kw_only=True)
class Strand:
    """Cases that differ only in the minute at which the procedure ended."""

    depth: Depth
    case: Case
    minutes: tuple[int, ...]
    key: str = ""
    """The one instruction that is tried, of `alone`."""
    in_all_words: bool = False
    """Tried in every language and channel, as the lengths of texts decide what is joined."""


@dataclass(frozen=True, kw_only=True)
class Space:
    """All that is tried of one plan, and what it stands for."""

    strands: tuple[Strand, ...]
    population: Population
    selections: int
    seasons: int
    combinations: int
    """Every factor with every value with every minute: what somebody would try who does not think first."""


def space_of(bench: Bench, files: TextFiles, effort: Effort) -> Space:
    """Return the cases that prove a plan."""
    maker = _Maker(bench, files, effort)
    strands = (*maker.alone(), *maker.together(), *maker.kinds(), *maker.words())
    return Space(
        strands=strands,
        population=maker.people,
        selections=len({selection(bench.plan, kind) for kind in maker.people.kinds}),
        seasons=len(maker.seasons),
        combinations=_raw(bench.plan, maker.people, len(seasons(bench.house.rules.quiet))),
    )


class _Maker:
    def __init__(self, bench: Bench, files: TextFiles, effort: Effort) -> None:
        self.bench, self.plan, self.files, self.effort = bench, bench.plan, files, effort
        self.rules = bench.house.rules
        self.people = population(self.plan)
        found = seasons(self.rules.quiet)
        self.seasons = found[:4] if effort is Effort.QUICK else found
        self.ordinary = found[0]

    def alone(self) -> Iterator[Strand]:
        for instruction in self.plan.instructions:
            kind = next((each for each in self.people.kinds if _applies(instruction, each)), None)
            if kind is None:
                continue
            every = list(self._distinct(instruction, choices_for(self.plan, instruction), kind))
            ends = [pair for pair in every if self._at_ends(pair[0])]
            for season in self.seasons[:2] if self.effort is Effort.QUICK else self.seasons:
                wide = season is self.ordinary and self.effort is not Effort.QUICK
                for choice, resolved in every if wide else ends:
                    minutes = minutes_alone((instruction,), resolved, self.rules, season)
                    case = self._case(kind, season, choice)
                    yield Strand(depth=Depth.ALONE, case=case, minutes=minutes, key=instruction.key)

    def together(self) -> Iterator[Strand]:
        """Yield the courses with the most instructions: every choice on an ordinary day, and every day."""
        rows = courses(self.plan)
        if self.effort is Effort.QUICK:
            rows = rows[:1] + rows[1::6]
        kinds = fullest(self.plan, self.people.kinds)
        for number, season in enumerate(self.seasons):
            found = [
                self._together(kind, season, choice, number=number, index=index)
                for index, choice in enumerate(rows)
                for kind in kinds
            ]
            yield from _hour_by_hour(found)

    def _together(self, kind: Kind, season: Season, choice: Choice, *, number: int, index: int) -> Strand:
        usual = season is self.ordinary
        case = self._case(kind, season, choice)
        every = self._minutes_of(case, season, joined=usual and not index, every=not index)
        minutes = self._thinned(every, number=number, index=index, usual=usual)
        if usual and not index:
            return Strand(depth=Depth.TOGETHER, case=case, minutes=minutes, in_all_words=True)
        return Strand(depth=Depth.TOGETHER, case=self._spoken(case, index + number), minutes=minutes)

    def _thinned(self, minutes: tuple[int, ...], *, number: int, index: int, usual: bool) -> tuple[int, ...]:
        """Return those of a day's minutes that a choice is tried at; the first choice, unless quick, at all of them.

        Choices and days that follow each other begin at other minutes: what one leaves out, another tries.
        """
        quick = self.effort is Effort.QUICK
        if index and (quick or not usual):
            # Two by two again: each choice with each day. Seven and 24 have no divisor in common, so 24 choices in a
            # row begin at 24 different minutes.
            return minutes[(7 * index + number) % 24 :: 24]
        if quick:
            return minutes[number % 12 :: 12]  # twice as many, as it is one choice only
        if index:
            return minutes[index % 3 :: 3]  # one day, on which every choice is tried densely
        return minutes

    def kinds(self) -> Iterator[Strand]:
        """Yield every selection of instructions and texts that any patient gets, on an ordinary day."""

        def parts(kind: Kind) -> Iterable[Hashable]:
            return (selection(self.plan, kind),)

        kinds = list(enumerate(cover(self.people.kinds, parts)))
        for row in range(3):
            tried = []
            for number, kind in kinds:
                choice = (AS_IT_IS, Choice(visit=VISITS[3]), Choice(slots=OTHER_SLOTS[number % 2]))[row]
                case = self._case(kind, self.ordinary, choice)
                minutes = self._minutes_of(case, self.ordinary, joined=not row, every=not row)
                if self.effort is Effort.QUICK:
                    minutes = minutes[number % 24 :: 24]
                spoken = self._words_in_turn(case)
                for at, said in enumerate(spoken):
                    here = minutes[(number + at) % len(spoken) :: len(spoken)]
                    tried.append(Strand(depth=Depth.KINDS, case=said, minutes=here))
            yield from _hour_by_hour(tried)

    def words(self) -> Iterator[Strand]:
        """Yield every text in all its forms: each printed value with each kind, and each way of saying it with each."""
        kinds: Sequence[Kind] = cover(self.people.kinds, self._word_parts)
        spoken = [(language, channel) for language in self.plan.file.languages for channel in Channel]
        wordings = self._wordings()
        for number, kind in enumerate(kinds):
            for at, (language, channel) in enumerate(spoken):
                for row, choice in enumerate(wordings):
                    if self.effort is Effort.QUICK and (row + number) % 2:
                        continue
                    day = WIDE_DAY if (number + row) % 2 else SIMPLEST_DAY
                    season = Season(day=day, zone=SIMPLEST_ZONE)
                    case = replace(self._case(kind, season, choice), language=language, channel=channel)
                    whole = row == (number + at) % len(wordings)
                    chosen = (number + row + at) % len(WORDS_MINUTES)
                    minutes = WORDS_MINUTES if whole else WORDS_MINUTES[chosen : chosen + 1]
                    yield Strand(depth=Depth.WORDS, case=case, minutes=minutes)
        if self.effort is Effort.EXHAUSTIVE:
            for number, kind in enumerate(self.people.kinds):
                case = self._case(kind, self.ordinary, wordings[number % len(wordings)])
                yield Strand(depth=Depth.WORDS, case=self._spoken(case, number), minutes=WORDS_MINUTES)

    def _spoken(self, case: Case, number: int) -> Case:
        """Return the case in one of the plan's languages and channels, in turn."""
        spoken = self._words_in_turn(case)
        return spoken[number % len(spoken)]

    def _words_in_turn(self, case: Case) -> list[Case]:
        """Return the case in each of the plan's languages and channels."""
        return [
            replace(case, language=language, channel=channel)
            for channel in Channel
            for language in self.plan.file.languages
        ]

    def _case(self, kind: Kind, season: Season, choice: Choice) -> Case:
        case = Case(
            procedure=self.plan.procedure,
            day=season.day,
            zone=season.zone,
            language=self.files.original,
            factors=kind.factors,
        )
        return completed(self.plan, choice).of(case)

    def _minutes_of(self, case: Case, season: Season, *, joined: bool, every: bool) -> tuple[int, ...]:
        """Return the minutes at which to try a course: where something turns, joining too if `joined`.

        Of an exhaustive proof those of the whole day, if `every`.
        """
        if self.effort is Effort.EXHAUSTIVE and every:
            return every_minute(season)
        resolved = self._resolved(case) or self._usual
        find = minutes_together if joined else minutes_alone
        return find(self.plan.instructions, resolved, self.rules, season)

    def _distinct(
        self, instruction: Instruction, choices: Sequence[Choice], kind: Kind
    ) -> Iterator[tuple[Choice, Resolved]]:
        """Yield choices that place the instruction differently, leaving out those that the plan refuses all day."""
        names = settings_of(self.plan, instruction)
        amounts = _amounts(instruction)
        seen: set[Hashable] = set()
        for choice in choices:
            resolved = self._resolved(self._case(kind, self.ordinary, choice))
            if resolved is None:
                continue
            end = resolved.course.procedure_end
            anchors = {name: instant - end for name, instant in resolved.anchors.items() if name != "visit"}
            said = {name: resolved.settings[name] for name in names if name in amounts}
            if choice.visit:
                said.pop("visit_day", None)
            key = tuple(anchors.items()), tuple(said.items()), choice.visit, choice.slots, choice.night_contact_agreed
            if key not in seen:
                seen.add(key)
                yield choice, resolved

    @cached_property
    def _usual(self) -> Resolved:
        """Any course that the plan allows, for one that it refuses at every hour tried."""
        return resolve(self.plan, self._case(self.people.kinds[0], self.ordinary, AS_IT_IS).course())

    def _resolved(self, case: Case) -> Resolved | None:
        for minute in (case.minute, 1, 23 * 60):
            try:
                return resolve(self.plan, replace(case, minute=minute).course())
            except InputError:
                continue
        return None

    def _at_ends(self, choice: Choice) -> bool:
        return all(value in ends_of(self.plan.file.settings[name], self.plan) for name, value in choice.settings)

    def _word_parts(self, kind: Kind) -> Iterator[Hashable]:
        for key, name in selection(self.plan, kind):
            marks: frozenset[str] = frozenset(MEDICINE_MARKS)
            if self.effort is Effort.QUICK:
                yield key, name, kind.marks & marks
                continue
            for language in self.plan.file.languages:
                for channel in Channel:
                    marks |= self.files.texts(language).text(name, channel).marks or frozenset()
            yield key, name, kind.marks & marks

    def _wordings(self) -> list[Choice]:
        """Return the choices under which texts read differently: each value that a text may print, and both ends."""
        settings = self.plan.file.settings
        columns = {name: ends_of(setting, self.plan) for name, setting in settings.items()}
        length = max((len(values) for values in columns.values()), default=1)
        rows = [
            Choice(
                settings=tuple(
                    (name, value)
                    for name, values in columns.items()
                    if (value := values[row % len(values)]) != settings[name].default
                )
            )
            for row in range(min(length, 3))
        ]
        shortest = {
            name: min(values_of(setting, self.plan), key=int)
            for name, setting in settings.items()
            if isinstance(setting, NumberSetting) and not setting.after_anchor
        }
        gone = Choice(settings=tuple(shortest.items()), block_minutes_before=BLOCK_STARTS[-1])
        booked = Choice(visit=(14, time(12, 30)))
        return [*map(self._allowed, rows), rows[0].with_(booked), gone]

    def _allowed(self, choice: Choice) -> Choice:
        """Return the choice, with days that have to follow something as late as they may be if it is refused."""
        if self._resolved(self._case(self.people.kinds[0], self.ordinary, choice)) is not None:
            return choice
        latest = {
            name: setting.highest
            for name, setting in self.plan.file.settings.items()
            if isinstance(setting, NumberSetting) and setting.after_anchor
        }
        return choice.with_(Choice(settings=tuple(latest.items())))


def _hour_by_hour(strands: Sequence[Strand]) -> Iterator[Strand]:
    """Yield the strands cut up by a few hours of the day."""
    for begin in range(0, 25 * 60, HOURS_TOGETHER * 60):
        for strand in strands:
            minutes = tuple(each for each in strand.minutes if 0 <= each - begin < HOURS_TOGETHER * 60)
            if minutes:
                yield replace(strand, minutes=minutes)


def _applies(instruction: Instruction, kind: Kind) -> bool:
    return any(instruction.applies(kind.marks | {mark}) for mark in ("visit_booked", "visit_not_booked"))


def _amounts(instruction: Instruction) -> frozenset[str]:
    """Return every name that stands in an instruction's timing."""
    return frozenset(
        str(value)
        for when in instruction.when
        for field in when.model_dump().values()
        for value in (field if isinstance(field, tuple) else (field,))
    ) | {"visit_day"}


def _raw(plan: Plan, people: Population, days: int) -> int:
    """Return how many combinations there are of everything that may be chosen."""
    settings = plan.file.settings.values()
    sizes = (
        each.highest - each.lowest + 1 if isinstance(each, NumberSetting) else len(values_of(each, plan))
        for each in settings
    )
    return (
        people.combinations * len(plan.file.languages) * len(Channel) * 24 * 60 * days * prod(sizes) * (1 + len(VISITS))
    )
