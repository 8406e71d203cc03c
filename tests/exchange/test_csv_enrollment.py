"""The columns of a list of patients, and what their cells may hold."""

from __future__ import annotations

from typing import Any

import pytest

from reminders.errors import InputError
from reminders.exchange.enrollment_csv import COLUMNS, EnrollmentRow, ListForm, read_enrollments

HEADER = "first_name,phone,end,consent"
ROW = "Pat,312-555-0123,2026-03-07 15:30,yes"


def only_row(header: str, row: str, **given: Any) -> EnrollmentRow:
    (found,) = read_enrollments(f"{header}\n{row}\n".encode(), ListForm(**given)).rows
    return found


def test_every_spelling_of_a_heading_belongs_to_one_column() -> None:
    spellings = [spelling for name, others in COLUMNS.items() for spelling in (name, *others)]

    assert len(spellings) == len(set(spellings))


@pytest.mark.parametrize(
    ("heading", "column"),
    [("Mobile", "phone"), ("Cell Phone", "phone"), ("E-Mail", "email"), ("Time zone", "zone"), ("Follow-up", "visit"),
     ("Risk Factors", "factors"), ("Preferred language", "language"), ("Toe", "site"), ("Surname", "last_name")],
)  # fmt: skip
def test_headings_as_a_front_desk_types_them(heading: str, column: str) -> None:
    found = only_row(f"First Name,consent,end,{heading}", "Pat,yes,x,value", given=("phone",))

    assert found.values[column] == "value"


def test_date_and_time_make_the_end() -> None:
    assert only_row("first,tel,date,time,consent", "Pat,1,3/7/2026,3:30 PM,y").values["end"] == "3/7/2026 3:30 PM"


@pytest.mark.parametrize("text", ["yes", "Y", "TRUE", "1", "x", "X", "Sí", "ja"])
def test_a_yes_in_many_spellings(text: str) -> None:
    assert only_row(HEADER, ROW.replace("yes", text)).says("consent") is True


@pytest.mark.parametrize("text", ["no", "N", "false", "0", "-", "none"])
def test_a_no_in_many_spellings(text: str) -> None:
    assert only_row(HEADER, ROW.replace("yes", text)).says("consent") is False


def test_an_empty_cell_says_nothing() -> None:
    assert only_row(HEADER, ROW.replace("yes", "")).says("consent") is None


def test_settings_of_the_plan_and_times_of_day_are_columns() -> None:
    found = only_row(f"{HEADER},Stop Day,set anaesthetic,evening", f"{ROW},7,lidocaine,18:30",
                     settings=("stop_day", "anaesthetic"))  # fmt: skip

    assert (found.values["set:stop_day"], found.values["set:anaesthetic"]) == ("7", "lidocaine")
    assert found.values["slot:evening"] == "18:30"


def test_a_setting_of_another_plan_is_no_column() -> None:
    with pytest.raises(InputError, match="column 'stop_day' is not known"):
        only_row(f"{HEADER},stop_day", f"{ROW},7")


def test_columns_can_be_left_out_by_name() -> None:
    found = only_row(f"{HEADER},Date of birth", f"{ROW},1990-01-01", ignored=("date of birth",))

    assert set(found.values) == {"first_name", "phone", "end", "consent"}
    assert found.problems == ()


def test_what_the_caller_says_need_not_be_a_column() -> None:
    assert only_row("first_name,phone", "Pat,1", given=("end", "consent")).values == {"first_name": "Pat", "phone": "1"}


def test_every_missing_column_is_named_at_once() -> None:
    with pytest.raises(InputError) as caught:
        read_enrollments(b"last_name\nExample\n", ListForm())

    assert len(caught.value.problems) == 4


def test_a_value_under_no_heading_is_a_problem() -> None:
    found = only_row("first_name,,phone,end,consent", "Pat,stray,1,x,yes")

    assert found.problems == ("cell 2 belongs to a column without a name",)


def test_a_number_that_a_spreadsheet_rounded_is_named() -> None:
    assert (
        "rounded"
        in only_row(HEADER, ROW.replace("312-555-0123", "1,31256E+10").replace(",31256", ".31256")).problems[0]
    )
