"""What a form's fields are read as: nothing that a browser may send breaks a page."""

from __future__ import annotations

import pytest

from reminders.web.forms import row_number


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("1", 1),
        ("0", 0),
        ("9" * 18, 10**18 - 1),
        ("9223372036854775808", None),  # one more than a column holds
        ("9" * 5000, None),  # Python itself refuses to read more than 4300 digits
        ("", None),
        ("-1", None),
        ("٣", None),
        ("³", None),
        ("1.0", None),
    ],
)
def test_a_number_of_a_row_is_read_or_there_is_none(text: str, number: int | None) -> None:
    assert row_number(text) == number
