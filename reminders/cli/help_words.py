"""How click's own words, and the help of every command, are told in the staff's language.

click writes all help through a formatter, and composes its errors in English as the rest of the program does; both are
translated where they are shown. English is what click says by itself, as no catalog is bound to its domain.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from itertools import groupby

import click

from reminders.sentences import english
from reminders.words import gettext, retold

_CLICK_SAYS = (
    english("Options"),
    english("Commands"),
    english("default: {default}"),
    english("required"),
    english("Error: {message}"),
    english("Try '{command} {option}' for help."),
    english("Invalid value: {message}"),
    english("Invalid value for {param_hint}: {message}"),
    english("Missing command."),
    english("Missing argument {name!r}."),
    english("Missing option {name!r}."),
    english("Missing argument {name!r}. {message}"),
    english("Missing option {name!r}. {message}"),
    english("Choose from:\n\t{choices}"),
    english("No such option {name!r}."),
    english("No such option {name!r}. {message}"),
    english("No such command {name!r}."),
    english("No such command {name!r}. {message}"),
    english("Did you mean {possibility!r}?"),
    english("(Did you mean one of: {possibilities}?)"),
    english("Got unexpected extra argument ({args})"),
    english("Got unexpected extra arguments ({args})"),
    english("Option {name!r} does not take a value."),
    english("Option {name!r} requires an argument."),
    english("{value!r} is not {choice!r}."),
    english("{value!r} is not a valid {number_type}."),
    english("integer"),
    english("integer range"),
    english("float"),
    english("{value} is not in the range {range}."),
    english("{entry} {name!r} does not exist."),
    english("{entry} {name!r} is a file."),
    english("{entry} {name!r} is a directory."),
    english("{entry} {name!r} is not readable."),
    english("{entry} {name!r} is not writable."),
    english("File"),
    english("Directory"),
    english("Path"),
)
"""What click 8.5 says of a command line; `tests/cli/test_help_words.py` makes it say so."""

_EXTRA = re.compile(r"(?P<help>.*?)(?:  )?\[(?P<extra>[^\]]*)\]", re.DOTALL)
_REMARK = re.compile(r"(?P<line>  .*  )\((?P<remark>.+)\)")
_AS_IT_STANDS = "\b"
"""A line of this alone tells click to break the lines that follow where they are broken."""


class _Formatter(click.HelpFormatter):
    def write_usage(self, prog: str, args: str = "", prefix: str | None = None) -> None:
        told = args.replace("[OPTIONS]", gettext("[OPTIONS]"))
        told = told.replace("COMMAND", gettext("COMMAND")).replace("ARGS", gettext("ARGS"))
        usage = gettext("Usage:")
        super().write_usage(prog, told, f"{usage} " if prefix is None else prefix)

    def write_text(self, text: str) -> None:
        super().write_text("\n".join(_block_told(block) for block in _blocks(text)))

    def write_dl(self, rows: Iterable[tuple[str, str]], col_max: int = 30, col_spacing: int = 2) -> None:
        super().write_dl([(term, _help_told(said)) for term, said in rows], col_max, col_spacing)

    @contextmanager
    def section(self, name: str) -> Iterator[None]:
        with super().section(retold(name)):
            yield


class SpokenContext(click.Context):
    """A context of a command whose help is told in the staff's language."""

    formatter_class = _Formatter


def spoken(command: click.Command) -> click.Command:
    """Return the command, which now, with all below it, tells its help in the staff's language."""
    for each in _with_those_below(command):
        each.context_class = SpokenContext
    return command


def show_error(error: click.ClickException) -> None:
    """Tell on stderr what click found wrong with a command line, and where to find help."""
    if isinstance(error, click.UsageError) and error.ctx is not None:
        context = error.ctx
        hint = gettext(
            "Try '{command} {option}' for help.",
            command=context.command_path,
            option=max(context.command.get_help_option_names(context), key=len),
        )
        click.echo(f"{context.get_usage()}\n{hint}\n", err=True)
    click.echo(gettext("Error: {message}", message=retold(error.format_message())), err=True)


def strings_of(command: click.Command) -> Iterator[str]:
    """Yield every string in the help of a command and of those below it, for the catalogs."""
    for each in _with_those_below(command):
        for text in (each.help, each.epilog):
            for block in _blocks(inspect.cleandoc(text or "")):
                yield from _units(block)
        for parameter in each.get_params(click.Context(each)):
            if isinstance(parameter, click.Option) and parameter.help:
                yield parameter.help


def _with_those_below(command: click.Command) -> Iterator[click.Command]:
    yield command
    if isinstance(command, click.Group):
        for each in command.commands.values():
            yield from _with_those_below(each)


def _blocks(text: str) -> Iterator[list[str]]:
    """Yield the lines of each paragraph, and between them those that part paragraphs."""
    for parts, lines in groupby(text.split("\n"), key=lambda line: line.strip(" ") in {"", _AS_IT_STANDS}):
        if parts:
            yield from ([line] for line in lines)
        else:
            yield list(lines)


def _units(block: Sequence[str]) -> Iterator[str]:
    if not _holds_commands(block):
        if block[0].strip() not in {"", _AS_IT_STANDS}:
            yield "\n".join(block)
        return
    for line in block:
        remark = _REMARK.fullmatch(line)
        if remark:
            yield remark["remark"]
        elif not line.startswith(" "):
            yield line


def _block_told(block: Sequence[str]) -> str:
    if not _holds_commands(block):
        whole = "\n".join(block)
        return gettext(whole) if whole.strip(f" {_AS_IT_STANDS}") else whole
    return "\n".join(_line_told(line) for line in block)


def _holds_commands(block: Sequence[str]) -> bool:
    return any(line.startswith("  ") for line in block)


def _line_told(line: str) -> str:
    remark = _REMARK.fullmatch(line)
    if remark:
        return f"{remark['line']}({gettext(remark['remark'])})"
    return line if line.startswith(" ") or not line else gettext(line)


def _help_told(said: str) -> str:
    if not said:
        return said
    found = _EXTRA.fullmatch(said)
    if not found:
        return gettext(said)
    extra = "; ".join(map(retold, found["extra"].split("; ")))
    return f"{gettext(found['help'])}  [{extra}]" if found["help"] else f"[{extra}]"
