"""`reminders triage`: reads replies without storing anything; needs neither configuration nor database."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path

import click

from reminders.cli.control_characters import without_orders
from reminders.cli.json_output import print_json, print_json_line
from reminders.errors import InputError
from reminders.exchange.csv_text import read_table, simple_heading
from reminders.replies import Triage, mark
from reminders.replies import triage as triage_reply
from reminders.words import gettext, retold, shown, shown_all

_COLUMNS = ("id", "lang", "after_message", "text")


@click.command(
    epilog="""\b
Examples:
  reminders triage --after checkin_pain --language en "it's an 8 and throbbing"
  reminders triage --after dressing_off --json "no pus, just a little pink"
  reminders triage --explain "no fever but it smells"
  reminders triage --csv replies.csv > labels.jsonl
\b
The CSV has the columns id, lang, after_message and text; each row gives one line {"id", "label", "signs"}.
--after and --language hold for rows that leave theirs empty.
""",
)
@click.argument("text", required=False)
@click.option("--after", default="none", metavar="KEY", help="The instruction key of the message that it answers.")
@click.option("--language", default="en", metavar="CODE", help="The language the patient chose.")
@click.option("--explain", is_flag=True, help="Show the text with the words that led there.")
@click.option("--csv", "csv_file", type=click.Path(path_type=Path, dir_okay=False, allow_dash=True), help="Many.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON for programs.")
def triage(text: str | None, after: str, language: str, explain: bool, csv_file: Path | None, as_json: bool) -> None:
    """Say how urgent TEXT (`-` reads it from stdin) is, and which words say so.

    A patient's reply is read the same way when it comes in; whatever is not surely harmless reaches a person.
    """
    if csv_file is not None:
        if text is not None:
            raise InputError(gettext("give a text or --csv, not both"))
        if explain:
            raise InputError(gettext("--explain shows one text; leave out --csv"))
        _triage_file(csv_file, after=after, language=language)
        return
    if text is None:
        raise InputError(gettext("give the text to read, `-` for stdin, or --csv FILE"))
    whole = _whole(text)
    found = triage_reply(whole, after=after, language=language)
    if as_json:
        why = [asdict(evidence) for evidence in found.why]
        print_json({"label": str(found.label), "signs": list(found.signs), "why": why})
    else:
        _show(whole, found, explain=explain)


def _whole(text: str) -> str:
    if text == "-":
        return sys.stdin.buffer.read().decode("utf-8-sig", "replace")
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "replace")


def _triage_file(path: Path, *, after: str, language: str) -> None:
    for row in _rows(path):
        found = triage_reply(row["text"], after=row["after_message"] or after, language=row["lang"] or language)
        print_json_line({"id": row["id"], "label": str(found.label), "signs": list(found.signs)})


def _rows(path: Path) -> Iterator[dict[str, str]]:
    """Yield the rows by column; columns that say nothing to us are left out."""
    try:
        content = sys.stdin.buffer.read() if str(path) == "-" else path.read_bytes()
        table = read_table(content, longest_cell=len(content))
        places = _places(table.header)
    except InputError as error:
        raise InputError(f"{path}:", *error.problems) from None
    except OSError as error:
        raise InputError(f"{path}: " + gettext("it can't be read: {why}", why=error.strerror)) from None
    for row in table.rows:
        if row.problems:
            raise InputError(f"{path}: " + gettext("line {number}:", number=row.line), *row.problems)
    for row in table.rows:
        yield {name: row.cells[place] for name, place in places.items()}


def _places(header: Sequence[str]) -> dict[str, int]:
    names = [simple_heading(heading) for heading in header]
    if missing := [name for name in _COLUMNS if name not in names]:
        raise InputError(*(gettext("column {name} is missing", name=name) for name in missing))
    return {name: names.index(name) for name in _COLUMNS}


def _show(text: str, found: Triage, *, explain: bool) -> None:
    signs = shown_all(found.signs)
    click.secho(f"{shown(found.label)}{': ' + signs if signs else ''}", bold=True)
    if found.opt_out:
        click.echo(gettext("Also takes back consent to messages."))
    if found.wrong_person:
        click.echo(gettext("Also says that the number is somebody else's."))
    if explain:
        click.echo(without_orders(mark(text, found, retold=lambda said: shown(retold(said)))))
        return
    for evidence in found.why:
        click.echo(f"  {evidence.words!r}: {retold(evidence.note)}")
