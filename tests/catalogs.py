"""The catalogs of staff strings, renewed from the source: `python -m tests.catalogs`, then translate what it lists."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import click
from babel.messages.catalog import Catalog, Message
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po, write_po

from reminders.cli import COMMANDS, commands
from reminders.cli.help_words import strings_of
from reminders.words import CATALOGS, SAID

PROGRAM = Path(__file__).parents[1] / "reminders"
_METHODS = [("**.py", "python"), ("web/**.html", "jinja2"), ("desk/**.html", "jinja2")]
_KEYWORDS = {"gettext": None, "_": None, "ngettext": (1, 2), "marked": None, "english": None}


def extracted() -> Catalog:
    """Every string that the program marks for its catalogs."""
    found = Catalog(charset="utf-8")
    options = {pattern: {"silent": "false"} for pattern, method in _METHODS if method == "jinja2"}
    for _, _, message, _, context in extract_from_dir(PROGRAM, _METHODS, options, _KEYWORDS):
        found.add(message, context=context)
    for _, _, message, _, _ in extract_from_dir(PROGRAM, _METHODS[:1], keywords={"english": None}):
        found.add(message, auto_comments=[SAID])
    for line in helps():
        found.add(line)
    return found


def helps() -> Iterator[str]:
    """Every string of the commands' help."""
    yield from strings_of(commands)
    for name, (_, line) in COMMANDS.items():
        yield line
        command = commands.get_command(click.Context(commands), name)
        assert command is not None
        yield from strings_of(command)


def files() -> list[Path]:
    """The file of every language."""
    return sorted(CATALOGS.glob("*/LC_MESSAGES/*.po"))


def read(path: Path) -> Catalog:
    """A catalog as it is."""
    with path.open("rb") as source:
        return read_po(source, locale=path.parts[-3])


def messages_of(catalog: Catalog) -> dict[tuple[str, ...], Message]:
    """Its strings without its header, by what the source says: one form, or singular and plural."""
    return {forms(message.id): message for message in catalog if message.id}


def forms(said: str | Sequence[str] | None) -> tuple[str, ...]:
    """The forms of a string or of its translation."""
    return (said or "",) if said is None or isinstance(said, str) else tuple(said)


def renewed(path: Path, source: Catalog) -> Catalog:
    """A catalog with what the source says today: new strings empty, those that are gone left out."""
    catalog = read(path)
    catalog.update(source, no_fuzzy_matching=True, update_creation_date=False)
    catalog.obsolete.clear()
    catalog.msgid_bugs_address = "none"
    return catalog


def _renew_all() -> None:
    source = extracted()
    for path in files():
        catalog = renewed(path, source)
        with path.open("wb") as target:
            write_po(target, catalog, no_location=True, sort_output=True, width=0)
        for key, message in messages_of(catalog).items():
            if not all(forms(message.string)):
                print(f"{path.parts[-3]}: {key} is not translated")  # noqa: T201  a tool for the terminal


if __name__ == "__main__":
    _renew_all()
