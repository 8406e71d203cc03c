"""Where values stand in a TOML file, checked against what the standard parser finds in it."""

from __future__ import annotations

import tomllib

import pytest

from reminders.care.toml_lines import line_index, line_of
from tests.build import LEAD, PLANS

SOURCE = '''\
title = "a [b] # c"   # a comment with = and [
"odd key" = 1

[table]
many = [
  "x = 1",  # ] not the end
  ["[[table]]"],
]
text = """
[not.a.table]
key = 1
"""
single = \'\'\'it's
over\'\'\'
inline = { a = 1, b = [2] }

[table.below]
key = 2
[[row]]
key = 3
[[row]]  # the second
key = 4
'''


def test_every_table_and_key_has_its_line() -> None:
    assert dict(line_index(SOURCE)) == {
        ("title",): 1,
        ("odd key",): 2,
        ("table",): 4,
        ("table", "many"): 5,
        ("table", "text"): 9,
        ("table", "single"): 13,
        ("table", "inline"): 15,
        ("table", "below"): 17,
        ("table", "below", "key"): 18,
        ("row",): 19,
        ("row", 0): 19,
        ("row", 0, "key"): 20,
        ("row", 1): 21,
        ("row", 1, "key"): 22,
    }
    assert tomllib.loads(SOURCE)["row"] == [{"key": 3}, {"key": 4}]


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("row", 1, "key"), 22),
        (("row", 1, "missing"), 21),
        (("table", "inline", "a"), 15),
        (("table", "many", 0), 5),
        (("row", 7, "key"), 19),
        (("nothing",), 0),
        ((), 0),
    ],
)
def test_a_place_without_its_own_line_has_that_of_what_holds_it(path: tuple[str | int, ...], line: int) -> None:
    assert line_of(line_index(SOURCE), path) == line


@pytest.mark.parametrize("file", [f"{LEAD}/plan.toml", "shared/factors.toml", "shared/anaesthetics.toml"])
def test_every_key_of_the_shipped_files_is_found(file: str) -> None:
    source = (PLANS / file).read_text(encoding="utf-8")
    lines, found = line_index(source), 0
    for name, table in tomllib.loads(source).items():
        rows = enumerate(table) if isinstance(table, list) else [(None, table)]
        for number, row in rows:
            at = (name,) if number is None else (name, number)
            for key in row if isinstance(row, dict) else ():
                assert key in source.splitlines()[lines[*at, key] - 1]
                found += 1
    assert found >= 20
