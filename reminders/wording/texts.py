"""Finds the templates of one language, compiles each once, and knows which values it uses."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from jinja2 import (
    FileSystemLoader,
    StrictUndefined,
    Template,
    TemplateNotFound,
    TemplateSyntaxError,
    meta,
    nodes,
    pass_context,
)
from jinja2.runtime import Context
from jinja2.sandbox import ImmutableSandboxedEnvironment

from reminders.care.values import Channel
from reminders.errors import Fault, PlanError
from reminders.sentences import english
from reminders.wording.dates import Calendar
from reminders.wording.facts import MOMENT_NAMES

SUBJECT = "Subject: "
"""How the first line of an e-mail template begins; an empty line follows, then the body."""


@dataclass(frozen=True, kw_only=True)
class Uses:
    """What a template, with all it includes, takes from outside."""

    names: frozenset[str]
    """Variables, `has` among them."""
    marks: frozenset[str] | None
    """The conditions asked for as `"child" in has`; None when `has` is used in another way."""


@dataclass(frozen=True, kw_only=True)
class Text:
    """One compiled template."""

    path: Path
    body: Template
    subject: Template | None
    """Of an e-mail."""
    marks: frozenset[str] | None
    """As in `Uses`."""
    of_course: tuple[str, ...]
    """The variables used that stay the same within a course, beside `has`."""
    of_moment: tuple[str, ...]
    """The variables used that differ from message to message."""


class Texts:
    """The texts of one language, looked for in each folder in turn."""

    def __init__(self, folders: tuple[Path, ...], *, locale: str) -> None:
        self.folders = folders
        self._loader = FileSystemLoader(folders)
        self.environment = _environment(self._loader, Calendar(locale))
        self._compiled: dict[tuple[str, Channel], Text] = {}
        self._trees: dict[str, tuple[nodes.Template, ...]] = {}

    def text(self, name: str, channel: Channel) -> Text:
        """Return a template, compiled at its first use; PlanError when it is missing or faulty."""
        found = self._compiled.get((name, channel))
        if found is None:
            found = self._compiled[name, channel] = self._compile(file_name(name, channel))
        return found

    def source(self, file: str) -> tuple[str, Path]:
        """Return a template's source and where it stands; raises TemplateNotFound."""
        source, path, _ = self._loader.get_source(self.environment, file)
        return source, Path(path)

    def uses(self, file: str) -> Uses:
        """Return what a template and those it includes use; raises jinja2's TemplateError."""
        found = [uses_of(tree) for each in self.with_included(file) for tree in self.trees(each)]
        return Uses(
            names=frozenset[str]().union(*(each.names for each in found)),
            marks=None
            if any(each.marks is None for each in found)
            else frozenset[str]().union(*(each.marks or () for each in found)),
        )

    def with_included(self, file: str) -> list[str]:
        """Return the names of a template and of all that it includes, itself first."""
        reached = [file]
        for each in reached:
            included = (name for tree in self.trees(each) for name, _ in includes(tree))
            reached += (name for name in dict.fromkeys(included) if name not in reached)
        return reached

    def trees(self, file: str) -> tuple[nodes.Template, ...]:
        """Return the parsed subject, if there is one, and body of a template."""
        if file not in self._trees:
            source, path = self.source(file)
            parts = split_subject(source) if is_email(file) else ("", source)
            self._trees[file] = tuple(self.environment.parse(part, file, str(path)) for part in parts if part)
        return self._trees[file]

    def _compile(self, file: str) -> Text:
        try:
            source, path = self.source(file)
            subject, body = split_subject(source) if is_email(file) else ("", source)
            uses = self.uses(file)
            return Text(
                path=path,
                body=self.environment.from_string(body),
                subject=self.environment.from_string(subject) if subject else None,
                marks=uses.marks,
                of_course=tuple(sorted(uses.names - MOMENT_NAMES - {"has"})),
                of_moment=tuple(sorted(uses.names & MOMENT_NAMES)),
            )
        except TemplateNotFound as error:
            missing = self.folders[0] / (error.name or file)
            raise PlanError((Fault(file=missing, line=0, message=english("this text is missing")),)) from error
        except TemplateSyntaxError as error:
            # Jinja names what it was given as a string, or what it only looked into, in angle brackets.
            named = error.filename or "<"
            where = self.folders[0] / file if named.startswith("<") else Path(named)
            raise PlanError((Fault(file=where, line=error.lineno, message=str(error.message)),)) from error


def file_name(name: str, channel: Channel) -> str:
    """Return the file's name of a text: `soak.sms.j2`."""
    return f"{name}.{channel}.j2"


def is_email(file: str) -> bool:
    """Say whether a template is of an e-mail."""
    return file.endswith(f".{Channel.EMAIL}.j2")


def split_subject(source: str) -> tuple[str, str]:
    """Return an e-mail template's subject and body; the subject is "" when the template has none.

    The body keeps its line numbers, so that an error names the right one.
    """
    first, _, rest = source.partition("\n")
    if not first.startswith(SUBJECT):
        return "", source
    return first.removeprefix(SUBJECT).strip(), "\n" + rest


def uses_of(tree: nodes.Template) -> Uses:
    """Return what one parsed template uses, without what it includes."""
    names = meta.find_undeclared_variables(tree)
    if any(each.name == "date_of_day" for each in tree.find_all(nodes.Filter)):
        names.add("procedure_day")
    marks = [mark for mark, _ in mark_tests(tree)]
    mentions = sum(each.name == "has" for each in tree.find_all(nodes.Name))
    return Uses(names=frozenset(names), marks=frozenset(marks) if mentions == len(marks) else None)


def mark_tests(tree: nodes.Template) -> Iterator[tuple[str, int]]:
    """Yield every `"child" in has` of a template as the condition and its line."""
    for each in tree.find_all(nodes.Compare):
        match each:
            case nodes.Compare(
                expr=nodes.Const(value=str() as mark),
                ops=[nodes.Operand(op="in" | "notin", expr=nodes.Name(name="has"))],
            ):
                yield mark, each.lineno


def includes(tree: nodes.Template) -> Iterator[tuple[str, int]]:
    """Yield the name and line of every include; TemplateSyntaxError for one that names no file in quotes."""
    for each in tree.find_all(nodes.Include):
        match each.template:
            case nodes.Const(value=str() as name):
                yield name, each.lineno
            case _:
                raise TemplateSyntaxError(english("an include names one file, in quotes"), each.lineno)


def _environment(loader: FileSystemLoader, calendar: Calendar) -> ImmutableSandboxedEnvironment:
    environment = ImmutableSandboxedEnvironment(
        loader=loader,
        undefined=StrictUndefined,
        autoescape=False,  # plain text; the values in an e-mail are escaped for Markdown
        auto_reload=False,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "clock": calendar.clock,
        "weekday": calendar.weekday,
        "day_date": calendar.day_date,
        "date_of_day": _date_of_day,
    }
    return environment


@pass_context
def _date_of_day(context: Context, number: int) -> date:
    procedure_day: date = context["procedure_day"]
    return procedure_day + timedelta(days=number)
