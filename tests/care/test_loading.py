"""Faulty procedure folders: every fault at once, each with its file and its line."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from reminders.care.loading import load_plan, procedures_in
from reminders.care.plan import NumberSetting
from reminders.errors import NotFound, PlanError
from tests.build import LEAD, PLANS, lead_plan
from tests.care.faulty_plans import LINE, ONE_FAULT, PLAN, SECOND_INSTRUCTION, line_of


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Write a procedure folder with the repository's shared tables; return it."""

    def folder(plan: str | bytes = PLAN, **shared: str | bytes | None) -> Path:
        (tmp_path / "invented").mkdir()
        (tmp_path / "shared").mkdir()
        for name in ("factors", "anaesthetics"):
            shutil.copy(PLANS / "shared" / f"{name}.toml", tmp_path / "shared")
        _save(tmp_path / "invented" / "plan.toml", plan)
        for name, content in shared.items():
            path = tmp_path / "shared" / f"{name}.toml"
            path.unlink() if content is None else _save(path, content)
        return tmp_path / "invented"

    return folder


def _save(path: Path, content: str | bytes) -> None:
    path.write_bytes(content if isinstance(content, bytes) else content.encode())


def faults_of(folder: Path) -> list[tuple[str, int, str]]:
    with pytest.raises(PlanError) as found:
        load_plan(folder)
    return [(each.file.name, each.line, each.message) for each in found.value.faults]


def test_a_sound_plan_loads(write: Callable[..., Path]) -> None:
    plan = load_plan(write())
    assert (plan.procedure, plan.title, len(plan.instructions)) == ("invented", "An invented procedure", 2)
    assert plan.places.of(("instruction", 1)) == (plan.folder / "plan.toml", SECOND_INSTRUCTION)


def test_the_lead_plan_loads_with_the_place_of_each_instruction() -> None:
    for index, each in enumerate(lead_plan().instructions):
        file, line = lead_plan().places.of(("instruction", index, "key"))
        assert file.read_text(encoding="utf-8").splitlines()[line - 1] == f'key = "{each.key}"'


@pytest.mark.parametrize(("old", "new", "anchor", "below", "message"), ONE_FAULT)
def test_one_fault_is_reported_once_with_its_line(
    write: Callable[..., Path], old: str, new: str, anchor: str | None, below: int, message: str
) -> None:
    assert PLAN.count(old) == 1
    (fault,) = faults_of(write(PLAN.replace(old, new)))
    assert fault[:2] == ("plan.toml", line_of(anchor) + below)
    assert message in fault[2]


def test_all_faults_of_a_folder_are_reported_at_once(write: Callable[..., Path]) -> None:
    plan = (
        PLAN.replace("version = 1", 'version = "one"\nmatron = 1')
        .replace("default = 8", "default = 30")
        .replace("importance = 2", "importance = 20")
        .replace('before = "block_wears_off"', 'before = "nowhere"')
        .replace('if_any = ["diabetes"]', 'if_any = ["gout"]')
        .replace('desk_message = "desk"', 'desk_message = "door"')
        .replace("from_day = 0", "from_day = -1")
    )
    found = faults_of(write(plan, factors='[diabetes]\nsays = 1\nsource = "x"\n', anaesthetics=None))
    assert [(name, line) for name, line, _ in found] == [
        ("plan.toml", LINE["version = 1"]),
        ("plan.toml", LINE["version = 1"] + 1),
        ("plan.toml", LINE['desk_message = "desk"'] + 1),
        ("plan.toml", LINE["[settings.block_hours]"] + 1),
        ("plan.toml", SECOND_INSTRUCTION + 1),
        ("plan.toml", LINE["when = ["] + 1),
        ("plan.toml", LINE["importance = 2"] + 1),
        ("plan.toml", LINE["from_day = 0"] + 1),
        ("anaesthetics.toml", 0),
        ("factors.toml", 2),
    ]


def test_a_fault_reads_as_file_line_and_words(write: Callable[..., Path]) -> None:
    folder = write(PLAN.replace("version = 1", "version = 0"))
    with pytest.raises(PlanError) as found:
        load_plan(folder)
    assert str(found.value).startswith(f"{folder / 'plan.toml'}:2: version: ")


# Files that are no TOML at all.
@pytest.mark.parametrize(
    ("content", "line", "message"),
    [
        pytest.param(PLAN.encode("utf-16"), 1, "save it as UTF-8", id="UTF-16 from a spreadsheet"),
        pytest.param(PLAN.encode("utf-16-le"), 1, "not valid TOML", id="UTF-16 without mark"),
        pytest.param(PLAN.replace("Invented.", "Gehört").encode("latin-1"), 4, "save it as UTF-8", id="Latin-1"),
        pytest.param(PLAN + "title = ", len(PLAN.splitlines()) + 1, "not valid TOML", id="ends in the middle"),
        pytest.param(PLAN.replace("version = 1", "version = 1\nversion = 2"), 3, "not valid TOML", id="key twice"),
        pytest.param(PLAN.replace("version = 1", "version 1"), 2, "not valid TOML", id="no equals sign"),
        pytest.param(PLAN.replace('languages = ["en"]', 'languages = ["en"'), 4, "not valid TOML", id="open bracket"),
        pytest.param(PLAN.replace("version = 1", 'version = "1'), 2, "not valid TOML", id="open quotes"),
        pytest.param(
            PLAN.replace("[anchors.block_wears_off]", "[settings.block_hours]"),
            LINE["[anchors.block_wears_off]"],
            "not valid TOML",
            id="table written twice",
        ),
        pytest.param(b"", 0, "title: Field required", id="empty"),
        pytest.param(b"\x00\x01", 1, "not valid TOML", id="binary"),
    ],
)  # fmt: skip
def test_a_file_that_is_no_toml_is_named_with_its_line(
    write: Callable[..., Path], content: str | bytes, line: int, message: str
) -> None:
    faults = faults_of(write(content))
    assert any((name, at) == ("plan.toml", line) and message in text for name, at, text in faults), faults


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(write: Callable[..., Path]) -> None:
    plan = load_plan(write(b"\xef\xbb\xbf" + PLAN.replace("\n", "\r\n").encode()))
    assert plan.places.of(("instruction", 1)) == (plan.folder / "plan.toml", SECOND_INSTRUCTION)


@pytest.mark.parametrize(
    ("table", "content", "line", "message"),
    [
        pytest.param("anaesthetics", None, 0, "this file is missing", id="missing file"),
        pytest.param("anaesthetics", "x = 3\n", 1, "x: the tables of this file are called digit.agent", id="no table"),
        pytest.param(
            "anaesthetics",
            '[digit.a]\nname = "a"\nlow = 5\nhigh = 5\ntypical = "x"\nsource = "x"\n',
            1,
            "low 5.0 is not below high 5.0",
            id="low not below high",
        ),
        pytest.param(
            "anaesthetics",
            '[digit.a]\nname = "a"\nlow = 0\nhigh = 5\ntypical = "x"\nsource = "x"\n',
            3,
            "digit.a.low: Input should be greater than 0",
            id="no duration",
        ),
        pytest.param(
            "factors",
            '[diabetes]\nsays = "x"\nibuprofen = "maybe"\nsource = "x"\n',
            3,
            "'ok', 'ask' or 'no'",
            id="verdict",
        ),
        pytest.param("factors", '[diabetes]\nsays = "x"\n', 1, "diabetes.source: Field required", id="no source"),
        pytest.param(
            "factors",
            '[diabetes]\nsays = "x"\nsource = "x"\naliases = ["sugar"]\n'
            '[gout]\nsays = "x"\nsource = "x"\naliases = ["sugar"]\n',
            8,
            "'sugar' means diabetes already",
            id="alias of two",
        ),
    ],
)
def test_a_faulty_shared_table_is_named_with_its_line(
    write: Callable[..., Path], table: str, content: str | None, line: int, message: str
) -> None:
    faults = faults_of(write(**{table: content}))
    assert [(name, at) for name, at, _ in faults] == [(f"{table}.toml", line)]
    assert message in faults[0][2]


def test_settings_and_instructions_of_another_shape_are_faults_too(write: Callable[..., Path]) -> None:
    plan = PLAN.replace("[settings.block_hours]", "[settings]\nlead = 5\n\n[settings.block_hours]")
    ((name, line, message),) = faults_of(write(plan))
    assert (name, line) == ("plan.toml", LINE["[settings.block_hours]"] + 1)
    assert message.startswith("settings.lead: Input should be a valid dictionary")


def test_a_folder_without_plan_names_those_there_are(write: Callable[..., Path]) -> None:
    folder = write()
    with pytest.raises(NotFound, match=r"no procedure 'nowhere'.*there are: invented"):
        load_plan(folder.parent / "nowhere")


def test_folders_are_listed_by_name(write: Callable[..., Path]) -> None:
    folder = write()
    assert procedures_in(folder.parent) == ("invented",)
    assert procedures_in(folder) == ()
    assert LEAD in procedures_in(PLANS)


def test_every_clinical_value_of_the_lead_plan_has_a_source() -> None:
    file = lead_plan().file
    assert all(each.source for each in (*file.instruction, *file.warning_sign, *file.settings.values()))
    assert all(isinstance(each.highest, int) for each in file.settings.values() if isinstance(each, NumberSetting))


def test_a_frozen_plan_can_not_be_changed() -> None:
    with pytest.raises(ValueError, match="frozen"):
        lead_plan().file.version = 2
