"""Finds everything that is wrong with a plan's texts, in every language at once, before one is sent."""

from __future__ import annotations

from collections.abc import Container, Iterator, Mapping
from pathlib import Path

from jinja2 import TemplateNotFound, TemplateSyntaxError, nodes

from reminders.care.plan import Plan
from reminders.care.values import Channel
from reminders.errors import Fault, PlanError
from reminders.sentences import english
from reminders.wording.facts import ANSWER_NAMES, ANSWERS, FRAME_NAMES, allowed_names
from reminders.wording.framing import ANSWER_FRAME, FRAME
from reminders.wording.languages import read_language
from reminders.wording.texts import Texts, file_name, is_email, mark_tests, split_subject, uses_of


def faults_of(plan: Plan) -> tuple[Fault, ...]:
    """Return the faults of all texts, sorted by file and line; () when there is none."""
    found: set[Fault] = set()
    for language in plan.file.languages:
        folders = (plan.folder / language, plan.shared / language)
        for folder in folders:
            try:
                read_language(folder)
            except PlanError as error:
                found.update(error.faults)
        texts = Texts(folders, locale="en")
        for channel in Channel:
            frame_files = {file_name(FRAME, channel), file_name(ANSWER_FRAME, Channel.EMAIL)}
            for file in frame_files:
                found.update(_text_faults(texts, file, FRAME_NAMES, frozenset()))
            for name in ANSWERS:
                found.update(_text_faults(texts, file_name(name, channel), ANSWER_NAMES, frozenset()))
            for name, marks in _marks_by_text(plan).items():
                found.update(_text_faults(texts, file_name(name, channel), allowed_names(plan), marks))
    return tuple(sorted(found))


def _marks_by_text(plan: Plan) -> Mapping[str, frozenset[str]]:
    """Return, for each text, the conditions that every instruction using it lists in `words_change_with`.

    A text that many plans share may also ask for a factor that this plan does not list: it never holds here.
    """
    marks: dict[str, frozenset[str]] = {}
    never = frozenset(plan.factors) - frozenset(plan.file.factors)
    for instruction in plan.instructions:
        declared = frozenset(instruction.words_change_with) | never
        for name in instruction.text_names:
            marks[name] = marks.get(name, declared) & declared
    return marks


def _text_faults(texts: Texts, file: str, names: frozenset[str], marks: frozenset[str]) -> Iterator[Fault]:
    """Yield the faults of a template and of those that it includes."""
    try:
        for each in texts.with_included(file):
            path = texts.source(each)[1]
            for tree in texts.trees(each):
                for line, message in _tree_faults(tree, texts, names, marks):
                    yield Fault(file=path, line=line, message=message)
        if is_email(file) and names is not FRAME_NAMES:
            yield from _layout_faults(*texts.source(file))
    except TemplateNotFound as error:
        missing = error.name or file
        included = english("this text is missing; {file} includes it").format(file=file)
        message = included if missing != file else english("this text is missing")
        yield Fault(file=texts.folders[0] / missing, line=0, message=message)
    except TemplateSyntaxError as error:
        where = Path(error.filename or texts.folders[0] / file)
        yield Fault(file=where, line=error.lineno, message=str(error.message))


def _tree_faults(
    tree: nodes.Template, texts: Texts, names: frozenset[str], marks: frozenset[str]
) -> Iterator[tuple[int, str]]:
    unknown = [*_unknown(tree, nodes.Filter, texts.environment.filters)]
    unknown += _unknown(tree, nodes.Test, texts.environment.tests)
    if unknown:
        yield from unknown
        return
    uses = uses_of(tree)
    for each in tree.find_all(nodes.Name):
        if each.name in uses.names - names:
            yield (
                each.lineno,
                english("there is no value {name!r}; there are {known}").format(
                    name=each.name, known=", ".join(sorted(names))
                ),
            )
        elif each.name == "has" and uses.marks is None:
            yield each.lineno, english('ask for a condition as in "child" in has, and in no other way')
    for mark, line in mark_tests(tree):
        if mark not in marks:
            yield (
                line,
                english(
                    "the condition {mark!r} is not in words_change_with of every instruction with this text"
                ).format(mark=mark),
            )


def _unknown(
    tree: nodes.Template, kind: type[nodes.Filter | nodes.Test], known: Container[str]
) -> Iterator[tuple[int, str]]:
    for each in tree.find_all(kind):
        if each.name not in known:
            yield (
                each.lineno,
                english("there is no {kind} by the name of {name!r}").format(
                    kind=kind.__name__.lower(), name=each.name
                ),
            )


def _layout_faults(source: str, path: Path) -> Iterator[Fault]:
    subject, body = split_subject(source)
    if not subject:
        yield Fault(file=path, line=1, message=english("the first line of an e-mail is its subject, `Subject: ...`"))
    elif body[1:2] != "\n":
        yield Fault(file=path, line=2, message=english("an empty line follows the subject"))
    if not body.strip():
        yield Fault(file=path, line=0, message=english("this text says nothing"))
