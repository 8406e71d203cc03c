"""A problem that names its field is text like any other, also in another process."""

from __future__ import annotations

import copy
import pickle

from reminders.desk.blamed import Blamed, blame


def test_a_blamed_problem_is_the_text_that_it_was() -> None:
    assert blame("phone", ["too short"]) == ["too short"]
    assert f"- {Blamed('too short', 'phone')}" == "- too short"


def test_the_first_who_named_a_field_is_right() -> None:
    inner = blame("visit", ["no such day"])
    (outer,) = blame("facts", inner)
    assert isinstance(outer, Blamed)
    assert outer.field == "visit"


def test_a_copy_names_its_field_too() -> None:
    made = Blamed("too short", "phone")
    for same in (pickle.loads(pickle.dumps(made)), copy.deepcopy(made)):
        assert (same, same.field) == ("too short", "phone")
