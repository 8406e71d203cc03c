"""What has to hold for a plan as a whole, whatever the moment: nobody left out, no dead words, careful defaults."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from reminders.care.plan import VISIT_MARKS, Instruction, Plan
from reminders.care.values import Channel, InDoubt, QuietMove
from reminders.desk.new_procedure import unfinished
from reminders.desk.prove.cases import Case
from reminders.desk.prove.course_rules import Breach, may_wake, too_long_useful
from reminders.desk.prove.findings import Finding, Severity
from reminders.desk.prove.patients import Kind
from reminders.desk.prove.text_files import TextFiles
from reminders.desk.prove.text_rules import Misworded
from reminders.desk.prove.trial import Bench, UnwritableError
from reminders.errors import InputError
from reminders.sentences import english
from reminders.wording.languages import LANGUAGE_FILE, TranslationStatus
from reminders.wording.readability import Formula, hardest_sentences, reading
from reminders.wording.review.doses import medicines_named
from reminders.wording.review.flaws import Flaw
from reminders.wording.review.word_lists import Medicine
from reminders.wording.texts import file_name

ADDITION_IMPORTANCE = 3
"""A required instruction for some patients only is an addition from this importance on, else a gap."""


def plan_breaches(plan: Plan, kinds: Sequence[Kind], pain_keys: frozenset[str]) -> Iterator[tuple[Breach, Kind | None]]:
    """Yield what the plan's own conditions get wrong, with the simplest kind of patient that shows it."""
    for instruction in plan.instructions:
        yield from _left_out(instruction, plan, kinds)
        yield from ((each, None) for each in _never_used(instruction, kinds))
        yield from ((each, None) for each in _careless(instruction, plan, pain_keys))
        first = next((kind for kind in kinds if _gets(instruction, kind)), None)
        is_desk_message = instruction.key == plan.file.desk_message
        yield from ((each, first) for each in too_long_useful(instruction, is_desk_message=is_desk_message))


def default_breaches(bench: Bench, case: Case) -> Iterator[Breach]:
    """Yield that a plan refuses a course with all its own defaults."""
    try:
        bench.whole(case)
    except InputError as error:
        message = english("the plan's own defaults are refused: {why}").format(why=error)
        yield Breach(rule="settings", key="settings", field="", message=message)
    except UnwritableError:
        return  # found with its place when the texts are tried


def keys_naming_medicine(plan: Plan, files: TextFiles, medicines: dict[str, Medicine]) -> frozenset[str]:
    """Return the instructions of which a text in any language names a medicine."""
    return frozenset(
        each.key
        for each in plan.instructions
        for name in each.text_names
        for language in plan.file.languages
        if medicines_named(files.texts(language).source(file_name(name, Channel.SMS))[0], medicines)
    )


def status_findings(plan: Plan, files: TextFiles) -> Iterator[Finding]:
    """Yield which languages are drafts, which nobody qualified has read."""
    for language in plan.file.languages:
        if files.status(language) is TranslationStatus.DRAFT:
            message = english("is a draft: nobody qualified has read it, and it is not sent outside the demonstration")
            yield Finding(
                rule="draft_translation",
                file=plan.folder / language / LANGUAGE_FILE,
                line=1,
                subject=language,
                message=message,
                severity=Severity.NOTICE,
            )


def unfinished_findings(plan: Plan) -> Iterator[Finding]:
    """Yield each place that still says TODO; it keeps the plan from being approved, not from being proved."""
    for fault in unfinished(plan):
        yield Finding(
            rule="unfinished",
            file=fault.file,
            line=fault.line,
            subject=plan.procedure,
            message=fault.message,
            severity=Severity.NOTICE,
        )


def whole_reading(bodies: Sequence[tuple[str, str]], language: str, channel: Channel) -> Iterator[Misworded]:
    """Yield that a language's texts, taken together, are too hard; `bodies` are text names with their words."""
    text = "\n\n".join(body for _, body in bodies)
    found = reading(text, language)
    if found is None or found.is_plain:
        return
    hardest = hardest_sentences(text, language, most=3)
    name = next(name for name, body in bodies if hardest[0].text.split()[0] in body)
    grade = english("all texts together read at grade {score:.1f}, more than 6. Hardest: {sentences}")
    ease = english("all texts together read at INFLESZ {score:.0f}, less than 65. Hardest: {sentences}")
    sentences = " | ".join(each.text for each in hardest)
    message = (grade if found.formula is Formula.FLESCH_KINCAID else ease).format(
        score=found.score, sentences=sentences
    )
    flaw = Flaw(rule="reading_grade", message=message, snippet=max(hardest[0].text.split(), key=len))
    yield Misworded(text_name=name, channel=channel, language=language, flaw=flaw)


def _left_out(instruction: Instruction, plan: Plan, kinds: Sequence[Kind]) -> Iterator[tuple[Breach, Kind | None]]:
    """Yield a required instruction that some patients don't get and nothing required replaces."""
    if not instruction.required:
        return
    for kind in kinds:
        if _gets(instruction, kind) or _replaced(instruction, plan, kind):
            continue
        who = ", ".join(kind.factors).replace("_", " ") or english("no factor at all")
        addition = bool(instruction.only_if_any) and instruction.importance >= ADDITION_IMPORTANCE
        never = english("is required, but a patient with {factors} never gets it")
        if instruction.only_if_any and not addition:
            never = english(
                "is required, but a patient with {factors} never gets it (an addition for some patients only has "
                "importance {importance} or more)"
            )
        message = never.format(factors=who, importance=ADDITION_IMPORTANCE)
        field = "not_if_any" if instruction.not_if_any else "only_if_any"
        yield Breach(rule="required_gap", key=instruction.key, field=field, message=message, notice=addition), kind
        return


def _replaced(instruction: Instruction, plan: Plan, kind: Kind) -> bool:
    """Say whether another required instruction is there for those whom this one leaves out."""
    held = kind.marks.intersection(instruction.not_if_any)
    return bool(held) and any(
        other.required and other.applies(kind.marks | {visit}) and not held.isdisjoint(other.only_if_any)
        for other in plan.instructions
        for visit in VISIT_MARKS
        if other.key != instruction.key
    )


def _gets(instruction: Instruction, kind: Kind) -> bool:
    return any(instruction.applies(kind.marks | {visit}) for visit in VISIT_MARKS)


def _never_used(instruction: Instruction, kinds: Sequence[Kind]) -> Iterator[Breach]:
    """Yield texts that no patient can get, and conditions that all or none of those who get it meet."""
    reached = [
        kind.marks | {visit} for kind in kinds for visit in VISIT_MARKS if instruction.applies(kind.marks | {visit})
    ]
    if not reached:
        yield Breach(
            rule="never_said", key=instruction.key, field="only_if_any", message=english("no patient can get it")
        )
        return
    used = {choice.use if (choice := instruction.text_choice(marks)) else instruction.key for marks in reached}
    for name in instruction.text_names:
        if name not in used:
            message = english("the text {name!r} is for nobody: every patient gets another one").format(name=name)
            yield Breach(rule="never_said", key=instruction.key, field="texts", message=message)
    for mark in instruction.words_change_with:
        if len({mark in marks for marks in reached}) == 1:
            message = english(
                "{mark!r} is listed in words_change_with, but all or none of those who get it meet that"
            ).format(mark=mark)
            yield Breach(rule="never_said", key=instruction.key, field="words_change_with", message=message)


def _careless(instruction: Instruction, plan: Plan, pain_keys: frozenset[str]) -> Iterator[Breach]:
    key = instruction.key
    if instruction.quiet is QuietMove.SEND and not may_wake(instruction):
        message = english(
            "would go out in quiet hours to who agreed: only what is required and of importance 1 may wake"
        )
        yield Breach(rule="quiet_hours", key=key, field="quiet", message=message)
    if key in pain_keys and instruction.in_doubt is InDoubt.RESEND:
        message = english("names a medicine, so in doubt it must be held: nobody is told twice to take a dose")
        yield Breach(rule="in_doubt", key=key, field="in_doubt", message=message)
    if may_wake(instruction) and key not in pain_keys and instruction.in_doubt is InDoubt.HOLD:
        message = english("is of the first importance, so in doubt it must be sent again: better twice than never")
        yield Breach(rule="in_doubt", key=key, field="in_doubt", message=message)
    if key == plan.file.desk_message and not instruction.required:
        message = english("is the desk message, which tells how to stop and whom to call, so it must be required")
        yield Breach(rule="required_gap", key=key, field="required", message=message)
