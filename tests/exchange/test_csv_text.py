"""CSV as spreadsheets write it, read back; the writer of the standard library is the reference."""

from __future__ import annotations

import csv
import io
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reminders.errors import InputError
from reminders.exchange.csv_text import columns_of, decoded, read_table, simple_heading

TEXT = "name,note\nZoë,“fine”\n"


def cells(content: bytes) -> list[tuple[str, ...]]:
    return [row.cells for row in read_table(content).rows]


@pytest.mark.parametrize(
    ("encoding", "named"),
    [
        ("utf-8", "utf-8"),
        ("utf-8-sig", "utf-8"),
        ("utf-16", "utf-16"),
        ("cp1252", "cp1252"),
    ],
)
def test_usual_encodings_are_recognised(encoding: str, named: str) -> None:
    table = read_table(TEXT.encode(encoding))

    assert (table.encoding, table.header) == (named, ("name", "note"))
    assert table.rows[0].cells == ("Zoë", "“fine”")


def test_both_byte_orders_of_utf_16_are_read() -> None:
    for mark, encoding in ((b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be")):
        assert decoded(mark + TEXT.encode(encoding))[0] == TEXT


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_separators_and_line_ends_are_recognised(separator: str, line_end: str) -> None:
    content = line_end.join([separator.join(["a", "b", "c"]), separator.join(["1", "x, y; z", "3"])])
    quoted = content.replace("x, y; z", '"x, y; z"')

    assert cells(quoted.encode()) == [("1", "x, y; z", "3")]


def test_a_separator_in_a_quoted_heading_does_not_count() -> None:
    assert read_table(b'"a, b, c, d";e\n1;2\n').header == ("a, b, c, d", "e")


def test_the_line_that_names_the_separator_is_no_header() -> None:
    table = read_table(b"sep=;\r\na;b,c\r\n1;2\r\n")

    assert table.header == ("a", "b,c")
    assert table.rows[0].line == 3


def test_rows_know_the_line_they_begin_at() -> None:
    content = b'\nname,note\n\n"a\nb",1\nc,2\n,\nd,3\n'

    assert [(row.line, row.cells[0]) for row in read_table(content).rows] == [(4, "a\nb"), (6, "c"), (8, "d")]


def test_short_rows_are_filled_and_empty_columns_at_the_end_left_out() -> None:
    table = read_table(b"a;b;;\n1\n1;2;;\n")

    assert table.header == ("a", "b")
    assert [row.cells for row in table.rows] == [("1", ""), ("1", "2")]
    assert all(not row.problems for row in table.rows)


def test_a_cell_too_many_is_the_rows_problem_only() -> None:
    first, second = read_table(b"a,b\n1,2,3\n4,5\n").rows

    assert "3 cells, but there are 2 columns" in first.problems[0]
    assert second.problems == ()


def test_a_formula_is_text() -> None:
    assert cells(b'a\n"=HYPERLINK(""http://example.org"")"\n') == [('=HYPERLINK("http://example.org")',)]


def test_headings_are_compared_without_case_spaces_and_signs() -> None:
    assert {simple_heading(text) for text in ("First Name", "first_name", " FIRST-NAME: ", "First.Name*")} == {
        "first_name"
    }
    assert columns_of(("First Name", "", "TEL"), {"first_name": "first", "tel": "phone"}) == {"first": 0, "phone": 2}


def test_every_unknown_and_repeated_heading_is_named() -> None:
    with pytest.raises(InputError) as caught:
        columns_of(("tel", "shoe", "Tel", "hat"), {"tel": "phone"})

    assert [problem.split("'")[1] for problem in caught.value.problems] == ["shoe", "Tel", "hat"]


@given(
    st.lists(
        st.tuples(*[st.text(st.characters(blacklist_categories=["Cs", "Cc"]), max_size=30)] * 3).filter(
            lambda row: any(cell.strip() for cell in row)
        ),
        max_size=8,
    ),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
)
def test_what_a_csv_writer_writes_is_read_back(rows: list[tuple[str, ...]], separator: str, encoding: str) -> None:
    file = io.StringIO()
    writer = csv.writer(file, delimiter=separator, quoting=csv.QUOTE_ALL)
    writer.writerows([("one", "two", "three"), *rows])

    assert cells(file.getvalue().encode(encoding)) == [tuple(cell.strip() for cell in row) for row in rows]


@given(st.binary(max_size=300))
def test_any_bytes_are_a_table_or_an_input_error(content: bytes) -> None:
    with suppress(InputError):
        read_table(content)
