"""Workbooks as front desks save them, written here by another library (openpyxl), and files that only look like one."""

from __future__ import annotations

import io
import zipfile
from contextlib import suppress
from datetime import date, datetime, time
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import Workbook

from reminders.errors import InputError
from reminders.exchange.enrollment_csv import ListForm, read_enrollments
from reminders.exchange.spreadsheet import is_workbook, read_sheet

HEADING = ["First name", "Mobile", "Date", "Time", "Consent"]


def workbook(*rows: list[Any], title: str = "Today", empty_first: bool = False) -> bytes:
    book = Workbook()
    sheet = book.active
    if empty_first:
        sheet.title = "Cover"
        sheet = book.create_sheet(title)
    else:
        sheet.title = title
    for row in rows:
        sheet.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_cells_are_read_as_somebody_would_type_them() -> None:
    made = workbook(
        ["text", "whole", "part", "day", "moment", "clock", "yes", "empty"],
        [" two  words ", 3125550123, 1.5, date(2026, 3, 7), datetime(2026, 3, 7, 15, 30), time(8, 5), True, None],  # noqa: DTZ001
    )
    assert is_workbook(made)
    (row,) = read_sheet(made).rows
    assert row.line == 2
    moments = ("2026-03-07", "2026-03-07T15:30", "08:05")
    assert row.cells == ("two words", "3125550123", "1.5", *moments, "yes", "")


def test_a_workbook_is_enrolled_like_a_csv_file() -> None:
    day, clock = date(2026, 3, 7), time(15, 30)
    made = workbook(HEADING, ["Pat", 3125550123, day, clock, "yes"], [], ["Kim", "312-555-0124", day, clock, "yes"])
    found = read_enrollments(made, ListForm())
    assert [row.line for row in found.rows] == [2, 4]
    assert found.rows[0].values["phone"] == "3125550123"
    assert found.rows[0].values["end"] == "2026-03-07 15:30"
    assert found.headings["Mobile"] == "phone"


def test_a_column_may_be_given_its_meaning() -> None:
    made = workbook(["Vorname", "Handy", "Ende", "OK"], ["Pat", "312-555-0123", "2026-03-07T15:30", "x"])
    renamed = {"Vorname": "first_name", "handy": "phone", "Ende": "end", "OK": "consent"}
    (row,) = read_enrollments(made, ListForm(renamed=renamed)).rows
    assert dict(row.values) == {
        "first_name": "Pat", "phone": "312-555-0123", "end": "2026-03-07T15:30", "consent": "x",
    }  # fmt: skip
    with pytest.raises(InputError, match="no column 'Natel'"):
        read_enrollments(made, ListForm(renamed={"Natel": "phone"}))


def test_a_sheet_is_chosen_by_its_name() -> None:
    made = workbook(HEADING, ["Pat", "312-555-0123", "2026-03-07", "15:30", "yes"], empty_first=True)
    assert len(read_sheet(made, sheet="Today").rows) == 1
    with pytest.raises(InputError, match="the sheet is empty"):
        read_sheet(made)
    with pytest.raises(InputError, match="no sheet 'Monday'; there are Cover, Today"):
        read_sheet(made, sheet="Monday")


@pytest.mark.parametrize("cut", [4, 40, 400, -40])
def test_a_damaged_workbook_is_refused_with_a_reason(cut: int) -> None:
    with pytest.raises(InputError, match="workbook"):
        read_sheet(workbook(HEADING)[:cut])


def test_a_workbook_that_unpacks_to_too_much_is_refused_before_it_is_unpacked() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("xl/worksheets/sheet1.xml", b"0" * 500_000_001)
    with pytest.raises(InputError, match="unpacks to more than"):
        read_sheet(out.getvalue())


_SOUND = workbook(HEADING, ["Pat", "312-555-0123", "2026-03-07", "15:30", "yes"])


@given(st.lists(st.tuples(st.integers(0, len(_SOUND) - 1), st.integers(0, 255)), min_size=1, max_size=8))
def test_no_change_of_its_octets_does_more_than_be_refused(changes: list[tuple[int, int]]) -> None:
    octets = bytearray(_SOUND)
    for place, value in changes:
        octets[place] = value
    with suppress(InputError):
        read_enrollments(bytes(octets), ListForm())
