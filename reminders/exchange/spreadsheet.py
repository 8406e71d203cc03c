"""Reads a sheet of a workbook (.xlsx, .xls, .ods) as a table of text, each row with its number."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from datetime import date, datetime, time, timedelta

from python_calamine import CalamineError, CalamineWorkbook

from reminders.errors import InputError
from reminders.exchange.csv_text import LARGEST_FILE, LONGEST_CELL, CsvTable, row_of, without_empty_end
from reminders.words import gettext

MOST_CELLS = 2_000_000
LARGEST_UNPACKED = 500_000_000
"""Bytes; a workbook is a packed archive, and a small one may unpack to more than the machine has."""

_ZIP, _OLE = b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"


def is_workbook(content: bytes) -> bool:
    """Say whether a file begins as workbooks do."""
    return content.startswith((_ZIP, _OLE))


def read_sheet(content: bytes, *, sheet: str | None = None) -> CsvTable:
    """Read a sheet, the first if none is named; raises InputError when it can't be. Its first row names the columns."""
    _refuse_too_large(content)
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(content))
        names = book.sheet_names
        if sheet is not None and sheet not in names:
            raise InputError(
                gettext("there is no sheet {sheet!r}; there are {known}", sheet=sheet, known=", ".join(names))
            )
        if not names:
            raise InputError(gettext("the workbook has no sheet"))
        found = book.get_sheet_by_name(sheet or names[0])
        if found.total_height * found.total_width > MOST_CELLS:
            raise InputError(gettext("the sheet has more than {number:,} cells; split it", number=MOST_CELLS))
        rows = [tuple(map(_text, row)) for row in found.to_python(skip_empty_area=False)]
    except (CalamineError, ValueError, OverflowError) as error:
        raise InputError(gettext("the workbook can't be read: {why}", why=type(error).__name__)) from None
    numbered = [(number, row) for number, row in enumerate(rows, start=1) if any(row)]
    if not numbered:
        raise InputError(gettext("the sheet is empty; its first row must name the columns"))
    header = without_empty_end(numbered[0][1])
    return CsvTable(
        encoding="workbook",
        header=header,
        rows=tuple(row_of(number, _cut(row, len(header)), len(header), LONGEST_CELL) for number, row in numbered[1:]),
    )


def _refuse_too_large(content: bytes) -> None:
    if len(content) > LARGEST_FILE:
        raise InputError(gettext("the file has more than {number:,} bytes; split it", number=LARGEST_FILE))
    if not content.startswith(_ZIP):
        return
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            unpacked = sum(each.file_size for each in packed.infolist())
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError):
        raise InputError(gettext("the workbook is damaged: save it again")) from None
    if unpacked > LARGEST_UNPACKED:
        raise InputError(gettext("the workbook unpacks to more than {number:,} bytes", number=LARGEST_UNPACKED))


def _cut(row: Sequence[str], width: int) -> tuple[str, ...]:
    """Return the row without empty cells beyond the header: a sheet is as wide as its widest row."""
    return (*row[:width], *without_empty_end(tuple(row[width:])))


def _text(cell: object) -> str:
    """Return a cell as one would type it."""
    match cell:
        case bool():
            text = "yes" if cell else "no"
        case datetime():
            text = cell.isoformat(timespec="minutes")
        case date():
            text = cell.isoformat()
        case time():
            text = f"{cell:%H:%M}"
        case timedelta():
            minutes = round(cell.total_seconds()) // 60
            text = f"{minutes // 60:02}:{minutes % 60:02}"
        case float() if cell.is_integer():
            text = str(int(cell))
        case _:
            text = " ".join(str(cell).split())
    return text
