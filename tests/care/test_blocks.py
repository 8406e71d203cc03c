"""Plans put together from blocks: what counts, what falls away, and where each part stands for findings."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from reminders.care.loading import load_plan
from reminders.care.plan import NumberSetting
from reminders.errors import PlanError
from tests.build import PLANS

BLOCK = """\
factors = ["ulcer"]

[settings.rest_hours]
default = 8
lowest = 1
highest = 24
unit = "hours"
says = "How long to rest"
source = "invented"

[anchors.rested]
after = "procedure_end"
hours = "rest_hours"
says = "rest is over"

[[instruction]]
key = "rest"
about = "Rest."
when = [{ after = "rested" }]
quiet = "later"
useful_hours = 12
required = false
importance = 5
in_doubt = "resend"
texts = [{ use = "rest_low", if_any = ["diabetes", "child"] }, { use = "rest_child", if_all = ["child"] }]
words_change_with = ["diabetes", "child"]
source = "invented"

[[instruction]]
key = "for_children"
about = "For children only."
when = [{ after = "rested" }]
quiet = "later"
useful_hours = 12
required = false
importance = 5
in_doubt = "resend"
only_if_any = ["child"]
source = "invented"

[sources]
A = "A book"
"""

PLAN = """\
title = "An invented procedure"
version = 1
languages = ["en"]
cautions = ["Invented."]
blocks = ["rest"]
desk_message = "desk"
factors = ["diabetes"]

[settings.rest_hours]
default = 12

[[instruction]]
key = "desk"
about = "At the desk."
when = [{ after = "procedure_end" }]
quiet = "later"
useful_hours = 24
required = true
importance = 1
in_doubt = "resend"
source = "invented"

[[instruction]]
key = "rest"
useful_until = "rested"
importance = 2

[[warning_sign]]
sign = "Bleeding"
urgency = "emergency"
from_day = 0
source = "invented"
"""


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Write a procedure with one block beside the shared tables of the repository; return its folder."""

    def folder(plan: str = PLAN, block: str = BLOCK) -> Path:
        (tmp_path / "invented").mkdir()
        (tmp_path / "shared" / "blocks").mkdir(parents=True)
        for name in ("factors", "anaesthetics"):
            shutil.copy(PLANS / "shared" / f"{name}.toml", tmp_path / "shared")
        (tmp_path / "invented" / "plan.toml").write_text(plan, encoding="utf-8")
        (tmp_path / "shared" / "blocks" / "rest.toml").write_text(block, encoding="utf-8")
        return tmp_path / "invented"

    return folder


def line_in(source: str, text: str, *, nth: int = 1) -> int:
    return [number for number, line in enumerate(source.splitlines(), start=1) if line == text][nth - 1]


def test_a_plan_holds_the_tables_of_its_blocks_and_changes_single_keys(write: Callable[..., Path]) -> None:
    file = load_plan(write()).file
    hours = file.settings["rest_hours"]
    assert isinstance(hours, NumberSetting)
    assert (hours.default, hours.lowest, hours.highest) == (12, 1, 24)
    assert [each.key for each in file.instruction] == ["rest", "desk"]
    rest = file.instruction[0]
    assert (rest.about, rest.importance, rest.useful_until, rest.useful_hours) == ("Rest.", 2, "rested", None)
    assert file.sources == {"A": "A book"}
    assert file.factors == ("ulcer", "diabetes")


def test_conditions_on_factors_that_a_plan_does_not_list_fall_away(write: Callable[..., Path]) -> None:
    rest = load_plan(write()).instruction("rest")
    assert rest.words_change_with == ("diabetes",)
    assert [(each.use, each.if_any) for each in rest.texts] == [("rest_low", ("diabetes",))]


def test_with_the_factor_listed_they_hold(write: Callable[..., Path]) -> None:
    plan = load_plan(write(PLAN.replace('factors = ["diabetes"]', 'factors = ["diabetes", "child"]')))
    assert plan.instruction("for_children").only_if_any == ("child",)
    assert len(plan.instruction("rest").texts) == 2


def test_an_instruction_can_be_left_out(write: Callable[..., Path]) -> None:
    plan = PLAN.replace('blocks = ["rest"]', 'blocks = ["rest"]\nleave_out = ["rest"]').replace(
        'key = "rest"', 'key = "more"'
    )
    with pytest.raises(PlanError) as found:  # what was left is no whole instruction of its own
        load_plan(write(plan))
    assert all("more" in str(fault.message) for fault in found.value.faults)


FAULTS = [
    ("unknown block", PLAN.replace('["rest"]', '["rest", "rust"]'), BLOCK, "plan.toml", 'blocks = ["rest", "rust"]',
     "there is no block 'rust'; there are rest"),
    ("nothing left out", PLAN.replace('desk_message', 'leave_out = ["none"]\ndesk_message', 1), BLOCK, "plan.toml",
     'leave_out = ["none"]', "no block of this plan has 'none'"),
    ("foreign key", PLAN, "title = 3\n" + BLOCK, "rest.toml", "title = 3", "a block holds only"),
    ("bad value in a block", PLAN, BLOCK.replace("lowest = 1", 'lowest = "one"'), "rest.toml", 'lowest = "one"',
     "settings.rest_hours.lowest"),
    ("bad name in a block", PLAN, BLOCK.replace('hours = "rest_hours"', 'hours = "no_hours"'), "rest.toml",
     'hours = "no_hours"', "'no_hours' is not a setting"),
    ("bad value in the change", PLAN.replace("importance = 2", "importance = 20"), BLOCK, "plan.toml",
     "importance = 20", "rest.importance"),
    ("same key twice in the plan", PLAN.replace('key = "desk"', 'key = "rest"').replace('"desk"', '"rest"'), BLOCK,
     "plan.toml", 'key = "rest"', ""),
]  # fmt: skip


@pytest.mark.parametrize(
    ("plan", "block", "file", "text", "message"), [row[1:] for row in FAULTS], ids=[r[0] for r in FAULTS]
)
def test_a_fault_names_the_file_and_line_in_which_it_stands(
    write: Callable[..., Path], plan: str, block: str, file: str, text: str, message: str
) -> None:
    with pytest.raises(PlanError) as found:
        load_plan(write(plan, block))
    source = plan if file == "plan.toml" else block
    places = [(each.file.name, each.line) for each in found.value.faults if message in each.message]
    lines = {number for number, each in enumerate(source.splitlines(), start=1) if each == text}
    assert any(name == file and line in lines for name, line in places), found.value.faults


def test_a_block_that_is_no_toml_is_one_fault_of_that_block(write: Callable[..., Path]) -> None:
    with pytest.raises(PlanError) as found:
        load_plan(write(PLAN, BLOCK + "[[["))
    assert ("rest.toml", len(BLOCK.splitlines()) + 1) in [(each.file.name, each.line) for each in found.value.faults]
