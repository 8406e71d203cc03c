"""A new procedure from nothing: it loads at once, says where it is unfinished, and can't be approved until it is."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from reminders.desk.new_procedure import begin_procedure, unfinished
from reminders.desk.plan_timeline import picture_of, timeline_of
from reminders.desk.plans import PlanLibrary
from reminders.desk.prove.findings import Severity
from reminders.desk.prove.run import Bound, prove
from reminders.desk.prove.strands import Effort
from reminders.errors import InputError
from tests.build import PLANS
from tests.desk.office import Office


@pytest.fixture
def templates(tmp_path: Path) -> Path:
    return Path(shutil.copytree(PLANS / "shared", tmp_path / "templates" / "shared")).parent


def test_a_new_folder_loads_with_all_its_texts(templates: Path) -> None:
    written = begin_procedure(templates, "ear-wash", title="Ear washing")
    ready = PlanLibrary(templates).get("ear-wash")
    assert ready.plan.title == "Ear washing"
    assert ready.wording.faults() == ()
    assert {path.name for path in written} >= {"plan.toml", "first_care.sms.j2", "first_care.email.j2", "language.toml"}
    assert all(path.is_relative_to(templates / "ear-wash") for path in written)


def test_without_a_title_the_name_is_made_from_the_id(templates: Path) -> None:
    begin_procedure(templates, "ear-wash")
    assert PlanLibrary(templates).get("ear-wash").plan.title == "Ear wash"


def test_every_place_that_says_todo_is_named_with_its_line(templates: Path) -> None:
    begin_procedure(templates, "ear-wash")
    found = unfinished(PlanLibrary(templates).get("ear-wash").plan)
    assert len(found) > 5
    for fault in found:
        assert "TODO" in fault.file.read_text(encoding="utf-8").splitlines()[fault.line - 1]


def test_a_scaffold_passes_the_proof_which_names_each_place_still_to_be_written(
    templates: Path, office: Office
) -> None:
    begin_procedure(templates, "ear-wash", title="Ear washing")
    sender = replace(office.desk.house.sender, practice_name="Example Practice")
    bound = Bound(templates=templates, house=replace(office.desk.house, sender=sender))
    report = prove("ear-wash", bound, effort=Effort.QUICK, processes=1)
    assert report.holds
    assert all(each.severity is Severity.NOTICE for each in report.findings)
    places = {(each.file, each.line) for each in report.findings if each.rule == "unfinished"}
    assert places == {(each.file, each.line) for each in unfinished(PlanLibrary(templates).get("ear-wash").plan)}


@pytest.mark.parametrize("name", ["", "Ear", "ear wash", "../ear", "ear_wash", "-ear", "shared", "ear-"])
def test_a_name_that_is_no_id_is_refused(templates: Path, name: str) -> None:
    with pytest.raises(InputError, match="is no name for a folder"):
        begin_procedure(templates, name)
    assert [path.name for path in templates.iterdir()] == ["shared"]


def test_a_folder_that_is_there_stays_as_it_is(templates: Path) -> None:
    begin_procedure(templates, "ear-wash", title="First")
    with pytest.raises(InputError, match="is there already"):
        begin_procedure(templates, "ear-wash", title="Second")
    assert PlanLibrary(templates).get("ear-wash").plan.title == "First"


@pytest.mark.parametrize("title", ['Say "ah"', "two\nlines", "back\\slash"])
def test_a_title_that_would_break_the_file_is_refused(templates: Path, title: str) -> None:
    with pytest.raises(InputError, match="one line without quotation marks"):
        begin_procedure(templates, "ear-wash", title=title)


def test_the_plans_of_the_library_are_finished() -> None:
    library = PlanLibrary(PLANS)
    assert [fault for name in library.names() for fault in unfinished(library.get(name).plan)] == []


def test_a_timeline_holds_every_instruction_once_numbered(office: Office) -> None:
    ready = PlanLibrary(PLANS).get("vasectomy")
    steps = timeline_of(ready, office.desk.house)
    assert {step.key for step in steps} == {
        *(each.key for each in ready.plan.instructions),
        *(each.key for each in ready.plan.file.staff_task),
    }
    assert [step.at for step in steps] == sorted(step.at for step in steps)
    assert {(step.key, step.day) for step in steps} >= {("sample", 84), ("sample", 98), ("sample", 112)}
    assert [step.key for step in steps if step.for_staff] == ["sample_result"]
    assert len({step.number for step in steps}) == len({step.key for step in steps})


def test_a_picture_has_a_dot_for_each_step_and_stands_alone(office: Office) -> None:
    ready = PlanLibrary(PLANS).get("punch-biopsy")
    drawn = str(picture_of(ready, office.desk.house))
    assert drawn.startswith("<svg ")
    assert drawn.endswith("</svg>")
    assert drawn.count("<circle") == len(timeline_of(ready, office.desk.house))
    assert "<style>" in drawn


def test_a_title_follows_its_file_though_it_is_kept(tmp_path: Path) -> None:
    plan = tmp_path / "ear-wash" / "plan.toml"
    plan.parent.mkdir()
    plan.write_text('title = "Ear wash"\n', "utf-8")
    library = PlanLibrary(tmp_path)
    assert dict(library.titles()) == {"ear-wash": "Ear wash"}
    plan.write_text('title = "Ear wash with water"\n', "utf-8")
    assert dict(library.titles()) == {"ear-wash": "Ear wash with water"}
    plan.write_text("no TOML", "utf-8")
    assert dict(library.titles()) == {"ear-wash": "ear-wash"}
