"""Reads CSV as spreadsheets write it: any usual encoding and separator, each row with its line."""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

from reminders.errors import InputError
from reminders.words import gettext

LARGEST_FILE = 50_000_000
"""Bytes; a file of one practice's year is a tenth of it."""
LONGEST_CELL = 2_000
"""Characters; a longer cell is a quotation mark that was never closed, or not meant for us."""

_MARKS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
_SEPARATORS = ",;\t|"


@dataclass(frozen=True, kw_only=True)
class CsvRow:
    """One row of data."""

    line: int
    """Where it begins in the file, counted from 1."""
    cells: tuple[str, ...]
    """As many as there are columns; stripped of white space."""
    problems: tuple[str, ...] = ()
    """What is wrong with the row's own form."""


@dataclass(frozen=True, kw_only=True)
class CsvTable:
    """A file that was read."""

    encoding: str
    """utf-8, utf-16 or cp1252 (a guess, as nothing in a file tells it); `workbook` where it had none."""
    header: tuple[str, ...]
    rows: tuple[CsvRow, ...]


def read_table(content: bytes, *, longest_cell: int = LONGEST_CELL) -> CsvTable:
    """Read a file with a header line; raises InputError when it is no such file. No rows at all are fine.

    A cell of more characters than `longest_cell` is left empty and named among its row's problems.
    """
    text, encoding = decoded(content)
    text, separator = _without_separator_line(text)
    separator = separator or _separator_of(text)
    records = _records(text, separator)
    first = next(records, None)
    if first is None:
        raise InputError(gettext("the file is empty; its first line must name the columns"))
    _, cells = first
    header = without_empty_end(cells)
    rows = tuple(row_of(line, record, len(header), longest_cell) for line, record in records)
    return CsvTable(encoding=encoding, header=header, rows=rows)


def decoded(content: bytes) -> tuple[str, str]:
    """Return a file's text and its encoding: by its mark, else UTF-8 if it is that, else Windows-1252.

    Raises InputError for what is no text.
    """
    if len(content) > LARGEST_FILE:
        raise InputError(
            gettext(
                "the file has {number:,} bytes; at most {most:,} are read: split it",
                number=len(content),
                most=LARGEST_FILE,
            )
        )
    for mark, encoding in _MARKS:
        if content.startswith(mark):
            try:
                return content.decode(encoding), encoding.removesuffix("-sig")
            except UnicodeDecodeError:
                raise InputError(
                    gettext("the file begins like {encoding}, but isn't; save it as CSV UTF-8", encoding=encoding)
                ) from None
    if b"\x00" in content:
        raise InputError(gettext("the file is no text in a known encoding; save it as CSV UTF-8"))
    for encoding in ("utf-8", "cp1252"):
        try:
            return content.decode(encoding), encoding
        except UnicodeDecodeError:
            continue
    raise InputError(gettext("the file is no text in a known encoding; save it as CSV UTF-8"))


def columns_of(header: Collection[str], known: Mapping[str, str]) -> dict[str, int]:
    """Return the place of each column by its own name, given the known spellings and whose they are.

    Raises InputError that lists unknown and repeated columns; columns without a name are left out.
    """
    places: dict[str, int] = {}
    problems = []
    for place, heading in enumerate(header):
        simple = simple_heading(heading)
        if not simple:
            continue
        name = known.get(simple)
        if name is None:
            problems.append(gettext("column {heading} is not known", heading=_shown(heading)))
        elif name in places:
            problems.append(gettext("column {heading} is there twice, for {name}", heading=_shown(heading), name=name))
        else:
            places[name] = place
    if problems:
        raise InputError(*problems)
    return places


def simple_heading(heading: str) -> str:
    """Return a heading without regard to case, spaces, hyphens and points."""
    words = heading.casefold().replace("_", " ").replace("-", " ").replace(".", " ").replace("/", " ").split()
    return "_".join(words).strip(":*?#")


def _records(text: str, separator: str) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Yield each record that holds anything, with the line it begins at."""
    csv.field_size_limit(LARGEST_FILE)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True, skipinitialspace=True)
    begins = 1
    while True:
        try:
            record = next(reader, None)
        except csv.Error as error:
            raise InputError(gettext("line {line}: {what}", line=begins, what=_in_our_words(error))) from None
        if record is None:
            return
        cells = tuple(cell.strip() for cell in record)
        if any(cells):
            yield begins, cells
        begins = reader.line_num + 1


def _in_our_words(error: csv.Error) -> str:
    if "unexpected end" in str(error):
        return gettext('a cell begins with a quotation mark (") that is never closed')
    if "expected after" in str(error):
        return gettext('a quotation mark (") stands inside a quoted cell; write it twice ("")')
    return str(error)


def row_of(line: int, record: tuple[str, ...], width: int, longest_cell: int) -> CsvRow:
    """Return a record as a row of so many cells; what does not fit is named among its problems."""
    problems = []
    if any(record[width:]):
        problems.append(
            gettext("the row has {number} cells, but there are {columns} columns", number=len(record), columns=width)
        )
    longest = max((len(cell) for cell in record), default=0)
    if longest > longest_cell:
        problems.append(
            gettext("a cell has {number:,} characters; at most {most:,} are read", number=longest, most=longest_cell)
        )
    cells = tuple(cell if len(cell) <= longest_cell else "" for cell in record[:width])
    return CsvRow(line=line, cells=cells + ("",) * (width - len(cells)), problems=tuple(problems))


def _without_separator_line(text: str) -> tuple[str, str | None]:
    """Blank out a first line `sep=;`, which spreadsheets write and read."""
    first, _, _ = text.partition("\n")
    mark = first.strip().strip('"')
    if len(mark) == 5 and mark.lower().startswith("sep=") and mark[4] in _SEPARATORS:
        return " " * len(first.rstrip("\r")) + text[len(first.rstrip("\r")) :], mark[4]
    return text, None


def _separator_of(text: str) -> str:
    """Return the separator that cuts the header into the most columns."""
    header = next((line for line in text.splitlines() if line.strip()), "")
    in_quotes = False
    counts = dict.fromkeys(_SEPARATORS, 0)
    for character in header[:LONGEST_CELL]:
        if character == '"':
            in_quotes = not in_quotes
        elif character in counts and not in_quotes:
            counts[character] += 1
    return max(counts, key=lambda each: counts[each])


def without_empty_end(cells: tuple[str, ...]) -> tuple[str, ...]:
    """Return cells up to the last that holds anything."""
    while cells and not cells[-1]:
        cells = cells[:-1]
    return cells


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:37] + "...")
