"""Renders the messages of a patient's course by the plan's templates, in the course's language."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from pathlib import Path

from reminders.care.plan import Plan
from reminders.care.recent import Recent
from reminders.care.resolving import Resolved
from reminders.care.values import Channel, Occurrence
from reminders.errors import Fault, NotFound
from reminders.sentences import english
from reminders.wording.facts import Facts, Sender, facts_of, moment_source, moment_values
from reminders.wording.framing import FRAME, Frame, Part, Rendered, frame_of, put_together, rendered_part
from reminders.wording.languages import TranslationStatus, read_language, weakest
from reminders.wording.template_faults import faults_of
from reminders.wording.texts import Text, Texts, file_name

__all__ = ["CourseWording", "Rendered", "Sender", "Wording"]


class Wording:
    """The texts of one plan in all its languages.

    Templates are compiled at their first use, and what they gave is kept by the values they used, so the next
    patient costs little more than look-ups.
    """

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._kept: dict[str, _Kept] = {}
        self._status: dict[str, TranslationStatus] = {}

    def faults(self) -> tuple[Fault, ...]:
        """Return every fault of the plan's texts in every language, each with its file and line; () when sound."""
        return faults_of(self._plan)

    def translation_status(self, language: str) -> TranslationStatus:
        """Return how far a language's texts can be trusted, shared ones included; NotFound when there are none."""
        found = self._status.get(language)
        if found is None:
            folders = self._folders(language)
            found = weakest(tuple(read_language(folder).translation_status for folder in folders))
            self._status[language] = found
        return found

    def for_course(self, resolved: Resolved, sender: Sender, *, first_name: str) -> CourseWording:
        """Return what renders one patient's messages in the course's language; `first_name` may be "".

        NotFound when the plan has no texts in that language.
        """
        return CourseWording(self._texts(resolved.course.language), resolved, sender, first_name)

    def conditions(self, name: str, language: str, channel: Channel, *, otherwise: frozenset[str]) -> frozenset[str]:
        """Return the conditions that a text or its frame asks for; `otherwise` when they can't be told."""
        texts = self._texts(language).texts
        found = [texts.text(each, channel).marks for each in (name, FRAME)]
        return frozenset[str]().union(*(otherwise if marks is None else marks for marks in found))

    def _texts(self, language: str) -> _Kept:
        kept = self._kept.get(language)
        if kept is None:
            folders = self._folders(language)
            texts = Texts(folders, locale=read_language(folders[0]).cldr_locale)
            kept = self._kept[language] = _Kept(texts, Recent(512), Recent(4096), Recent(4096))
        return kept

    def _folders(self, language: str) -> tuple[Path, Path]:
        if language not in self._plan.file.languages:
            known = ", ".join(self._plan.file.languages)
            raise NotFound(
                english("{procedure} has no texts in {language!r}; there are {known}").format(
                    procedure=self._plan.procedure, language=language, known=known
                )
            )
        return self._plan.folder / language, self._plan.shared / language


@dataclass(frozen=True)
class _Kept:
    """One language's templates, and what was last made with them."""

    texts: Texts
    frames: Recent[Frame]
    bodies: Recent[Part]
    whole: Recent[Rendered]


@dataclass(frozen=True)
class _OfChannel:
    """What one course's messages by one channel share; the texts with what their words follow from, by name."""

    channel: Channel
    facts: Facts
    frame: Frame
    texts: dict[str, tuple[Text, Hashable]]
    alone: dict[str, Rendered]
    """Messages of one text that says nothing of its moment, by the text's name."""


class CourseWording:
    """Renders the messages of one patient's course."""

    def __init__(self, kept: _Kept, resolved: Resolved, sender: Sender, first_name: str) -> None:
        self._kept = kept
        self._resolved = resolved
        self._sender = sender
        self._first_name = first_name
        self._by_channel: dict[Channel, _OfChannel] = {}

    def render(self, members: Sequence[Occurrence], *, said_now: Sequence[Occurrence] = ()) -> Rendered:
        """Return one message that says `members`, one occurrence or several, most important first.

        `said_now` are occurrences said at the desk, appended in the words for the desk. All go by the channel of
        the first. PlanError for a missing or faulty template.
        """
        shared = self._shared(members[0].channel)
        alone = len(members) == 1 and not said_now
        if alone and (found := shared.alone.get(members[0].text_name)) is not None:
            return found

        def make() -> Rendered:
            parts = [self._body(each, shared, at_desk=False) for each in members]
            parts += [self._body(each, shared, at_desk=True) for each in said_now]
            return put_together(parts, shared.frame, shared.channel)

        if shared.channel is Channel.EMAIL:
            return make()
        keys = [self._key(each, shared, at_desk=False) for each in members]
        keys += [self._key(each, shared, at_desk=True) for each in said_now]
        rendered = self._kept.whole.get((shared.frame, *keys), make)
        if alone and not self._text(members[0], shared)[0].of_moment:
            shared.alone[members[0].text_name] = rendered
        return rendered

    def source_of(self, each: Occurrence) -> Hashable:
        """Return what the words of one occurrence follow from: where it is equal, `render` gives the same."""
        shared = self._shared(each.channel)
        return shared.frame, self._key(each, shared, at_desk=False)

    def body(self, each: Occurrence) -> str:
        """Return the words of one occurrence as an SMS says them, without the frame; for the printed sheet."""
        shared = self._shared(Channel.SMS)
        return self._body(each, shared, at_desk=False).text

    def markdown(self, each: Occurrence) -> str:
        """Return the words of one occurrence as an e-mail says them, without the frame; for the patient's page."""
        return self._body(each, self._shared(Channel.EMAIL), at_desk=False).text

    def fits(self, members: Sequence[Occurrence], *, most_segments: int, said_now: Sequence[Occurrence] = ()) -> bool:
        """Say whether `render` of the same stays within `most_segments`; an e-mail always does."""
        return self.render(members, said_now=said_now).segments <= most_segments

    def _shared(self, channel: Channel) -> _OfChannel:
        found = self._by_channel.get(channel)
        if found is None:
            facts = facts_of(self._resolved, self._sender, first_name=self._first_name, channel=channel)
            frame = self._kept.frames.get(
                _key_of(self._kept.texts.text(FRAME, channel), facts, file_name(FRAME, channel)),
                lambda: frame_of(self._kept.texts, FRAME, channel, facts.values),
            )
            found = self._by_channel[channel] = _OfChannel(channel, facts, frame, {}, {})
        return found

    def _text(self, each: Occurrence, shared: _OfChannel) -> tuple[Text, Hashable]:
        found = shared.texts.get(each.text_name)
        if found is None:
            text = self._kept.texts.text(each.text_name, shared.channel)
            found = text, _key_of(text, shared.facts, file_name(each.text_name, shared.channel))
            shared.texts[each.text_name] = found
        return found

    def _key(self, each: Occurrence, shared: _OfChannel, *, at_desk: bool) -> Hashable:
        """Return what the words of one occurrence follow from."""
        text, key = self._text(each, shared)
        if not text.of_moment:
            return key
        return key, moment_source(each, self._resolved.course.zone, at_desk=at_desk)

    def _body(self, each: Occurrence, shared: _OfChannel, *, at_desk: bool) -> Part:
        def make() -> Part:
            text, _ = self._text(each, shared)
            values = dict(shared.facts.values)
            if text.of_moment:
                values |= moment_values(each, self._resolved.course.zone, at_desk=at_desk)
            return rendered_part(text, shared.channel, values, in_subject=shared.facts.in_subject)

        return self._kept.bodies.get(self._key(each, shared, at_desk=at_desk), make)


def _key_of(text: Text, facts: Facts, file: str) -> Hashable:
    """Return what a text's words follow from, apart from the moment at which they are said."""
    marks = facts.marks if text.marks is None else facts.marks & text.marks
    return (file, marks, *[facts.keys[name] for name in text.of_course if name in facts.keys])
