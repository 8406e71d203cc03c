"""What has to hold for the words of every message, as one kind of patient gets it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from reminders.care.plan import MEDICINE_MARKS, Instruction, NumberSetting, Plan
from reminders.care.resolving import Resolved
from reminders.care.timing import date_of_day
from reminders.care.timings import EachDay, OnDay
from reminders.care.values import Channel, Joined, Occurrence, Outcome
from reminders.desk.prove.text_files import TextFiles
from reminders.desk.prove.trial import Bench, Trial, UnwritableError
from reminders.sentences import english
from reminders.wording.facts import facts_of, local
from reminders.wording.framing import FRAME, Frame, frame_of
from reminders.wording.readability import Formula, hardest_sentences, reading
from reminders.wording.render import CourseWording, Rendered
from reminders.wording.review import characters, doses, figures, parts
from reminders.wording.review.flaws import Flaw
from reminders.wording.review.parts import MOST_SEGMENTS, Role
from reminders.wording.review.word_lists import WordLists, read_word_lists

DayTold = tuple[str, int, str]
"""What a text says about days: the kind of phrase, the number, the words."""


@dataclass(frozen=True, kw_only=True)
class Said:
    """One text as one patient gets it."""

    each: Occurrence
    instruction: Instruction
    language: str
    rendered: Rendered
    body: str
    """Without the frame around it."""
    marks: frozenset[str]
    role: Role
    alone: bool
    """It goes out as a message of its own, not at the desk or on the sheet only."""
    resolved: Resolved
    words: CourseWording


@dataclass(frozen=True, kw_only=True)
class Misworded:
    """A flaw of a text, with what is needed to find its file."""

    text_name: str
    channel: Channel
    language: str
    flaw: Flaw


def _rendered(each: Occurrence, words: CourseWording) -> Rendered:
    try:
        return words.render([each])
    except (AttributeError, TypeError, ValueError) as error:
        raise UnwritableError(each, str(error)) from error


class TextRules:
    """The rules for the texts of one plan; a text that was looked at once is not looked at again."""

    def __init__(self, bench: Bench, files: TextFiles) -> None:
        self._bench = bench
        self._plan = bench.plan
        self._files = files
        self._lists: dict[str, WordLists] = {}
        self._frames: dict[tuple[str, Channel], Frame] = {}
        self._known: dict[tuple[object, ...], _Known] = {}
        self._by_source: dict[tuple[object, ...], _Known] = {}

    def flaws(self, trial: Trial, words: CourseWording) -> Iterator[Misworded]:
        """Yield what is wrong with the texts of a course, each by itself, and with messages that are too long."""
        for message in trial.messages:
            yield from self._too_long(message, words, trial)
            for each in message.members:
                known = self._looked_at(each, message, trial, words)
                yield from known.flaws
                if known.days:
                    yield from map(self._wrap(each, trial), self._day_flaws(each, trial, known.days))

    def _looked_at(self, each: Occurrence, message: Joined, trial: Trial, words: CourseWording) -> _Known:
        """Return what is wrong with a text by itself: known already by what it follows from, or by its words."""
        about = self._about(each, message, trial)
        source = about, words.source_of(each)
        known = self._by_source.get(source)
        if known is None:
            rendered = _rendered(each, words)
            key = about, rendered.channel, rendered.text
            known = self._known.get(key)
            if known is None:
                known = self._known[key] = self._look_at(self.said(each, message, trial, words))
            self._by_source[source] = known
        return known

    def lists(self, language: str) -> WordLists:
        """Return the words that a language is checked for; PlanError when there are none."""
        found = self._lists.get(language)
        if found is None:
            found = read_word_lists(language, folder=self._plan.folder, shared=self._plan.shared)
            self._lists[language] = found
        return found

    def said(self, each: Occurrence, message: Joined, trial: Trial, words: CourseWording) -> Said:
        """Return one occurrence in words."""
        course = trial.resolved.course
        rendered = _rendered(each, words)
        instruction = self._plan.instruction(each.key)
        return Said(
            each=each,
            instruction=instruction,
            language=course.language,
            rendered=rendered,
            body=self._body(rendered, trial.resolved),
            marks=trial.resolved.marks,
            role=role_of(instruction, self._plan),
            alone=message.outcome is Outcome.SCHEDULED,
            resolved=trial.resolved,
            words=words,
        )

    def _about(self, each: Occurrence, message: Joined, trial: Trial) -> tuple[object, ...]:
        """Return all that the flaws of a text depend on, but for its words."""
        return (
            trial.case.language,
            each.key,
            each.text_name,
            each.asks,
            message.outcome,
            trial.resolved.marks.intersection(MEDICINE_MARKS),
        )

    def _look_at(self, said: Said) -> _Known:
        wrap = _Wrap(said.each.text_name, said.each.channel, said.language)
        days = tuple(figures.days_told(said.body, self.lists(said.language).review))
        return _Known(flaws=tuple(map(wrap, self._flaws(said))), days=days)

    def _wrap(self, each: Occurrence, trial: Trial) -> _Wrap:
        return _Wrap(each.text_name, each.channel, trial.case.language)

    def _too_long(self, message: Joined, words: CourseWording, trial: Trial) -> Iterator[Misworded]:
        limit = self._bench.house.segment_limit
        first = message.first
        if message.outcome is not Outcome.SCHEDULED or (len(message.members) == 1 and not message.said_now):
            return
        segments = words.render(message.members, said_now=message.said_now).segments
        if segments > limit:
            flaw = Flaw(
                rule="segments",
                message=english("joined with others it takes {segments} parts; {limit} is the most").format(
                    segments=segments, limit=limit
                ),
            )
            yield Misworded(text_name=first.text_name, channel=first.channel, language=trial.case.language, flaw=flaw)

    def _flaws(self, said: Said) -> Iterator[Flaw]:
        lists = self.lists(said.language)
        text, body = said.rendered.text, said.body
        sender = self._bench.house.sender
        yield from characters.unfinished_flaws(f"{said.rendered.subject or ''}\n{text}")
        yield from doses.barred_flaws(body, said.marks, lists.medicines)
        yield from doses.dose_flaws(body, lists.review, lists.medicines, agreed=_milligrams(said.resolved))
        yield from parts.part_flaws(text, said.role, sender, lists.review)
        yield from parts.question_flaws(body, said.each.asks, lists.review)
        known = (sender.practice_phone, sender.after_hours_phone, sender.emergency_number)
        yield from characters.contact_flaws(body, known=known)
        yield from _reading_flaws(body, said.language)
        if said.language != self._files.original:
            yield from self._translation_flaws(said)
        if said.each.channel is Channel.EMAIL:
            yield from self._subject_flaws(said, lists)
        else:
            yield from self._sms_flaws(said, lists)

    def _sms_flaws(self, said: Said, lists: WordLists) -> Iterator[Flaw]:
        text, most = said.rendered.text, MOST_SEGMENTS[said.role]
        if said.alone and said.rendered.segments > most:
            message = english("takes {segments} parts ({encoding}); {most} is the most for it").format(
                segments=said.rendered.segments, encoding=said.rendered.encoding, most=most
            )
            yield Flaw(rule="segments", message=message)
        yield from characters.private_flaws(said.body, lists, where="it")
        practice = self._bench.house.sender.practice_name
        yield from characters.first_line_flaws(text, lists, practice_name=practice)
        yield from characters.coding_flaws(said.body)
        if "site" in self._files.texts(said.language).text(said.each.text_name, Channel.SMS).of_course:
            yield Flaw(
                rule="personal_detail", message=english("names the treated site in a text message"), snippet="site"
            )

    def _subject_flaws(self, said: Said, lists: WordLists) -> Iterator[Flaw]:
        subject = said.rendered.subject or ""
        if not subject.strip():
            yield Flaw(rule="private_word", message=english("has no subject"), snippet="Subject:")
        # How the practice calls itself is its own choice, and stands in every message.
        said_by_plan = subject.replace(self._bench.house.sender.practice_name, "")
        yield from characters.private_flaws(said_by_plan, lists, where="the subject")
        for name in doses.medicines_named(subject, lists.medicines):
            message = english("the subject names {medicine}; a locked screen shows it to others").format(medicine=name)
            yield Flaw(rule="private_word", message=message, snippet=name)

    def _day_flaws(self, each: Occurrence, trial: Trial, told: tuple[DayTold, ...]) -> Iterator[Flaw]:
        """Yield each day or number of days that a text tells and the plan does not keep."""
        instruction = self._plan.instruction(each.key)
        ends = _ends(instruction, trial.resolved, self._plan)
        repeats = any(isinstance(when, EachDay) for when in instruction.when)
        due = _due_days(trial.resolved, self._plan)
        for kind, number, words in told:
            allowed = due if kind == "on_day" or (kind == "until_day" and not ends) else ends
            if number in allowed or (kind == "for_days" and not repeats):
                continue
            days = ", ".join(str(day) for day in sorted(ends)) or english("another day")
            message = english("tells {words!r}, but the plan does it until day {days}").format(words=words, days=days)
            if kind == "on_day":
                message = english("tells {words!r}, but nothing in the plan is due on that day").format(words=words)
            yield Flaw(rule="told_until", message=message, snippet=words)

    def _translation_flaws(self, said: Said) -> Iterator[Flaw]:
        there = self._bench.words(said.resolved, language=self._files.original).render([said.each])
        original = self._body(there, said.resolved, language=self._files.original)
        yield from figures.translation_flaws(
            said.body,
            original,
            moments=self._moments(said, said.language),
            original_moments=self._moments(said, self._files.original),
        )

    def _moments(self, said: Said, language: str) -> list[str]:
        """Return every date and time that the program may have written into a text, in a language's way."""
        calendar = self._files.calendar(language)
        course = said.resolved.course
        instants = [local(each, course.zone) for each in (*said.resolved.anchors.values(), said.each.send_at)]
        days = [instant.date() for instant in instants]
        for name, setting in self._plan.file.settings.items():
            if isinstance(setting, NumberSetting) and setting.unit in {"day", "days"}:
                number = int(said.resolved.settings[name])
                days.append(date_of_day(number, procedure_end=course.procedure_end, zone=course.zone))
        return [
            *(calendar.clock(instant) for instant in instants),
            *(calendar.day_date(day) for day in days),
            *(calendar.weekday(day) for day in days),
        ]

    def _body(self, rendered: Rendered, resolved: Resolved, *, language: str | None = None) -> str:
        language = language or resolved.course.language
        key = language, rendered.channel
        frame = self._frames.get(key)
        if frame is None:
            sender = self._bench.house.sender
            facts = facts_of(resolved, sender, first_name="", channel=rendered.channel)
            frame = frame_of(self._files.texts(language), FRAME, rendered.channel, facts.values)
            self._frames[key] = frame
        before, after = (frame.before.text, frame.after.text)
        if rendered.channel is Channel.EMAIL:
            before, after = frame.before.plain, frame.after.plain
        return rendered.text.strip().removeprefix(before).removesuffix(after).strip()


def role_of(instruction: Instruction, plan: Plan) -> Role:
    """Return what an instruction's texts are for."""
    if instruction.key == plan.file.desk_message:
        return Role.DESK
    warns = instruction.required and instruction.importance == 1
    return Role.WARNING if warns else Role.REMINDER


@dataclass(frozen=True)
class _Wrap:
    text_name: str
    channel: Channel
    language: str

    def __call__(self, flaw: Flaw) -> Misworded:
        return Misworded(text_name=self.text_name, channel=self.channel, language=self.language, flaw=flaw)


@dataclass(frozen=True, kw_only=True)
class _Known:
    """What was found in a text, and the days it tells of, which are held against each course anew."""

    flaws: tuple[Misworded, ...]
    days: tuple[DayTold, ...]


def _milligrams(resolved: Resolved) -> tuple[int, ...]:
    """Return the amounts of medicine that are settings, as this course has them."""
    settings = resolved.plan.file.settings.items()
    return tuple(
        resolved.amount(name) for name, each in settings if isinstance(each, NumberSetting) and each.unit == "mg"
    )


def _reading_flaws(body: str, language: str) -> Iterator[Flaw]:
    found = reading(body, language)
    if found is None or found.is_plain:
        return
    hardest = hardest_sentences(body, language, most=1)[0].text
    grade = english("reads at grade {score:.1f}; 6 is the most. Hardest: {sentence!r}")
    ease = english("has an INFLESZ of {score:.0f}; 65 is the least. Hardest: {sentence!r}")
    scale = grade if found.formula is Formula.FLESCH_KINCAID else ease
    message = scale.format(score=found.score, sentence=hardest)
    yield Flaw(rule="reading_grade", message=message, snippet=max(hardest.split(), key=len))


def _ends(instruction: Instruction, resolved: Resolved, plan: Plan) -> frozenset[int]:
    """Return the days on which what an instruction repeats, or what it ends, is over by the plan."""
    related = [each for each in plan.instructions if each.key in instruction.contradicts]
    found: set[int] = set()
    for each in (instruction, *related):
        found |= {resolved.amount(when.until_day) for when in each.when if isinstance(when, EachDay)}
    for each in plan.instructions:
        if instruction.key in each.contradicts:
            found |= {day for when in each.when if isinstance(when, OnDay) for day in _days(when, resolved)}
    return frozenset(found)


def _due_days(resolved: Resolved, plan: Plan) -> frozenset[int]:
    found: set[int] = set()
    for each in plan.instructions:
        for when in each.when:
            if isinstance(when, OnDay):
                found |= set(_days(when, resolved))
            elif isinstance(when, EachDay):
                found |= set(range(resolved.amount(when.until_day) + 1))
    days = (
        name
        for name, setting in plan.file.settings.items()
        if isinstance(setting, NumberSetting) and setting.unit == "day"
    )
    return frozenset(found | {int(resolved.settings[name]) for name in days})


def _days(when: OnDay, resolved: Resolved) -> list[int]:
    return [resolved.amount(day) for day in (when.on_day if isinstance(when.on_day, tuple) else (when.on_day,))]
