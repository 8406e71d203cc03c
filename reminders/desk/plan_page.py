"""The page a clinician reads before approving a plan: every text, every rule, every value, and what has changed."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import product
from zoneinfo import ZoneInfo

from reminders.care.circumstances import Circumstances
from reminders.care.plan import Instruction, Plan
from reminders.care.resolving import resolve
from reminders.care.schedule import expand
from reminders.care.values import Channel, Course
from reminders.desk.composing import House
from reminders.desk.plan_in_words import conditions_in_words, handling_in_words, setting_in_words, timing_in_words
from reminders.desk.plans import ReadyPlan, files_of
from reminders.desk.prove.patients import Kind, conditions_of, population
from reminders.wording.languages import TranslationStatus
from reminders.words import gettext, marked, on_day

_SAMPLE_END = datetime(2026, 6, 10, 15, 30, tzinfo=UTC)
_SAMPLE_ZONE = ZoneInfo("UTC")
_VISITS = (("visit_not_booked", None), ("visit_booked", _SAMPLE_END + timedelta(days=14)))

_STATUSES = {
    TranslationStatus.ORIGINAL: marked("original"),
    TranslationStatus.REVIEWED: marked("read by a qualified translator"),
    TranslationStatus.DRAFT: marked("draft: no qualified translator has read it, and it is sent in demo mode only"),
}

Forms = dict[tuple[str, str, Channel], dict[str, Kind]]
"""By text, language and channel: each form of its words, with the fewest factors of a patient who gets it."""


def plan_page(ready: ReadyPlan, house: House, *, approved: Mapping[str, str] | None) -> str:
    """Return the page as Markdown. `approved` holds the files as last approved, None when they never were."""
    return "\n".join(_lines(ready, house, approved)) + "\n"


def _lines(ready: ReadyPlan, house: House, approved: Mapping[str, str] | None) -> Iterator[str]:
    plan = ready.plan
    yield from (
        f"# {plan.title}",
        "",
        gettext("Plan `{name}`, version {number}.", name=plan.procedure, number=plan.file.version),
    )
    yield from (gettext("Content `{hash}`: the approval is of exactly this.", hash=ready.content_hash), "")
    yield from (f"- {caution}" for caution in plan.file.cautions)
    yield from ("", "## " + gettext("What has changed since the last approval"), "")
    yield from _changes(plan, approved)
    yield from ("", "## " + gettext("Languages"), "")
    yield from (
        f"- {code}: {gettext(_STATUSES[ready.wording.translation_status(code)])}" for code in plan.file.languages
    )
    yield from ("", "## " + gettext("What may be set per patient"), "")
    yield from (f"- **{name}** {setting_in_words(name, plan)}" for name in plan.file.settings)
    yield from ("", "## " + gettext("Warning signs"), "")
    for sign in plan.file.warning_sign:
        yield "- " + gettext(
            "**{urgency}**, from day {day}: {sign}. Source: {source}",
            urgency=gettext(sign.urgency),
            day=sign.from_day,
            sign=sign.sign,
            source=sign.source,
        )
    yield from ("", "## " + gettext("What is said"), "")
    yield gettext("Times are those of an invented patient treated on {moment}.", moment=on_day(_SAMPLE_END))
    forms = text_forms(ready, house)
    for instruction in plan.instructions:
        yield from _instruction_lines(instruction, plan, forms)
    yield from ("", "## " + gettext("Sources"), "")
    yield from (f"- {key}: {source}" for key, source in plan.file.sources.items())


def _instruction_lines(instruction: Instruction, plan: Plan, forms: Forms) -> Iterator[str]:
    yield from ("", f"### {instruction.key}", "", instruction.about, "")
    yield "- " + gettext("When: {timing}.", timing=timing_in_words(instruction, plan))
    yield "- " + gettext("For whom: {conditions}.", conditions=conditions_in_words(instruction, plan))
    yield "- " + gettext("Then: {handling}.", handling=handling_in_words(instruction, plan))
    yield "- " + gettext("Source: {source}", source=instruction.source)
    for name in instruction.text_names:
        for (text_name, language, channel), found in forms.items():
            if text_name != name:
                continue
            for words, kind in found.items():
                yield from ("", f"**{language}, {channel}**, {_patient(kind, plan)}:", "")
                yield from (f"> {line}" if line else ">" for line in words.strip().splitlines())


def _patient(kind: Kind, plan: Plan) -> str:
    if not kind.factors:
        return gettext("without any patient factor")
    return gettext("for a patient who: {factors}", factors="; ".join(plan.factors[name].says for name in kind.factors))


def text_forms(ready: ReadyPlan, house: House) -> Forms:
    """Return every form that the words of every text can take, over all kinds of patients, visits and languages.

    What an instruction says follows from few conditions, so a course is made only for a kind of patient who meets them
    in a way that none before did.
    """
    plan = ready.plan
    forms: Forms = {}
    asked = {each.key: _asked_by(each, ready) for each in plan.instructions}
    seen: set[tuple[str, str, frozenset[str]]] = set()
    for kind in population(plan).kinds:
        for mark, visit in _VISITS:
            met = kind.marks | {mark}
            new = {(key, mark, met & marks) for key, marks in asked.items()} - seen
            if not new:
                continue
            seen |= new
            keys = {key for key, _, _ in new}
            for language in plan.file.languages:
                for channel, name, text in _said(ready, house, _sample(kind, language, visit), keys):
                    forms.setdefault((name, language, channel), {}).setdefault(text, kind)
    return forms


def _asked_by(instruction: Instruction, ready: ReadyPlan) -> frozenset[str]:
    """Return the conditions on which it depends whether a patient gets an instruction, and in which words."""
    asked = {*instruction.only_if_any, *instruction.not_if_any, *instruction.words_change_with}
    for choice in instruction.texts:
        asked |= {*choice.if_any, *choice.if_all}
    for language, channel, name in product(ready.plan.file.languages, Channel, instruction.text_names):
        asked |= ready.wording.conditions(name, language, channel, otherwise=conditions_of(ready.plan))
    return frozenset(asked)


def _sample(kind: Kind, language: str, visit: datetime | None) -> Course:
    return Course(
        procedure_end=_SAMPLE_END,
        zone=_SAMPLE_ZONE,
        language=language,
        factors=frozenset(kind.factors),
        visit=visit,
    )


def _said(ready: ReadyPlan, house: House, course: Course, keys: Collection[str]) -> Iterator[tuple[Channel, str, str]]:
    """Yield the texts of these instructions in one course: channel, name and words."""
    for channel in Channel:
        resolved = resolve(ready.plan, replace(course, channel=channel))
        words = ready.wording.for_course(resolved, house.sender, first_name="")
        now = Circumstances(not_before=course.procedure_end)
        for each in expand(resolved, house.rules, now):
            if each.key in keys:
                rendered = words.render([each])
                text = words.body(each) if channel is Channel.SMS else f"Subject: {rendered.subject}\n\n{rendered.text}"
                yield channel, each.text_name, text


def _changes(plan: Plan, approved: Mapping[str, str] | None) -> Iterator[str]:
    if approved is None:
        yield gettext("It was never approved before: all of it is new.")
        return
    root = plan.folder.parent
    now = {path.relative_to(root).as_posix(): path.read_bytes().decode() for path in files_of(plan)}
    changed = [name for name in sorted({*now, *approved}) if now.get(name) != approved.get(name)]
    if not changed:
        yield gettext("Nothing.")
    for name in changed:
        before, after = approved.get(name, "").splitlines(), now.get(name, "").splitlines()
        yield from ("", f"**{name}**", "")
        lines = list(difflib.unified_diff(before, after, n=0, lineterm=""))[2:]
        yield from (f"    {line}" for line in lines if not line.startswith("@@"))
