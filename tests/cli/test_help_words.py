"""The help of every command, and what click says of a wrong command line, in the staff's language."""

from __future__ import annotations

from collections.abc import Iterator

import click
import pytest
from click.testing import CliRunner

from reminders import words
from reminders.cli import COMMANDS, commands
from tests import catalogs
from tests.sentences import unknown_parts

pytestmark = pytest.mark.usefixtures("english_again")


def lines_of(*arguments: str, language: str) -> list[str]:
    result = CliRunner().invoke(commands, arguments, env={"LANGUAGE": language}, prog_name="reminders")
    return [line.strip() for line in result.output.splitlines()]


def below(command: click.Command, *names: str) -> Iterator[tuple[str, ...]]:
    yield names
    if isinstance(command, click.Group) and names:
        for name, each in command.commands.items():
            yield from below(each, *names, name)


def every_command() -> list[tuple[str, ...]]:
    context = click.Context(commands)
    found: list[tuple[str, ...]] = [()]
    for name in COMMANDS:
        command = commands.get_command(context, name)
        assert command is not None
        found += below(command, name)
    return found


STRINGS = [each for each in {*catalogs.helps()} if len(each.split()) > 2]


@pytest.mark.parametrize("names", every_command(), ids=" ".join)
def test_the_help_of_a_command_has_no_english_left(names: tuple[str, ...]) -> None:
    """What a line of the terminal holds is wrapped, so whole strings are looked for in the text without breaks."""
    for language, usage in {"ar": "الاستعمال", "es": "Uso"}.items():
        told = " ".join(" ".join(lines_of(*names, "--help", language=language)).split())
        assert [each for each in STRINGS if " ".join(each.split()) in told] == []
        assert told.startswith(f"{usage}: reminders")


@pytest.mark.parametrize("names", every_command(), ids=" ".join)
def test_english_help_is_as_it_is_written(names: tuple[str, ...]) -> None:
    english = lines_of(*names, "--help", language="en")
    assert english[0].startswith("Usage: reminders")
    assert "Options:" in english


# What click says by itself is known only as long as click says it so: these make it speak.
@pytest.mark.parametrize(
    "arguments",
    [
        pytest.param(["messages", "--nope"], id="no such option"),
        pytest.param(["messages", "--stat"], id="no such option, but one like it"),
        pytest.param(["nosuch"], id="no such command"),
        pytest.param(["message"], id="no such command, but one like it"),
        pytest.param(["messages", "twelve"], id="no number"),
        pytest.param(["messages", "--limit", "0"], id="a number out of its range"),
        pytest.param(["messages", "1", "2"], id="an argument too many"),
        pytest.param(["messages", "1", "2", "3"], id="arguments too many"),
        pytest.param(["messages", "--why=no"], id="a value for a flag"),
        pytest.param(["messages", "1", "--limit"], id="no value for an option"),
        pytest.param(["concerns", "close", "3"], id="a missing option"),
        pytest.param(["concerns", "show"], id="a missing argument"),
        pytest.param(["run", "--log", "loud"], id="none of the choices"),
        pytest.param(["--config", "/", "doctor"], id="a folder for a file"),
    ],
)
def test_what_is_wrong_with_a_command_line_is_told_in_every_language(arguments: list[str]) -> None:
    english = lines_of(*arguments, language="en")
    said = [line.removeprefix("Error: ") for line in english if line.startswith("Error: ")]
    assert said, english
    assert [part for text in said for part in unknown_parts(text)] == []
    for language in words.available()[1:]:
        told = lines_of(*arguments, language=language)
        assert len(told) == len(english)
        assert not {line.removeprefix("Error: ") for line in english if line} & {
            line.removeprefix("Error: ") for line in told
        }
