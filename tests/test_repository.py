"""The rules of the repository that no linter knows: what lies where, how large modules are, what is never named."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path
from typing import get_args

import pytest
from pydantic import BaseModel

from reminders.config import Config, load_config

ROOT = Path(__file__).parents[1]
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "pyproject.toml",
    "requirements.lock",
    "config.example.toml",
    "reminders",
    "message_templates",
    "tests",
    "demo",
}
NAMELESS = {"utils", "util", "common", "base", "misc", "manager", "service", "handler", "helpers", "helper", "core"}
PROGRAM = sorted((ROOT / "reminders").rglob("*.py"))
EVERY_MODULE = sorted(path for top in ("reminders", "tests", "demo") for path in (ROOT / top).rglob("*.py"))
LONGEST_MODULE = 600


def tracked() -> list[str]:
    """Every file under version control."""
    listed = subprocess.run(
        ["git", "-C", str(ROOT), "ls-files", "-z"], capture_output=True, encoding="utf-8", check=False
    )
    if listed.returncode:
        pytest.skip("this is no clone")
    return [name for name in listed.stdout.split("\0") if name and (ROOT / name).is_file()]


def named(path: Path) -> str:
    """How a file is called in the repository."""
    return path.relative_to(ROOT).as_posix()


def test_the_top_level_holds_only_what_was_agreed() -> None:
    top = {name.partition("/")[0] for name in tracked()}
    assert {name for name in top if not name.startswith(".")} <= TOP_LEVEL


def test_a_module_says_what_it_knows_and_can_be_read_at_a_sitting() -> None:
    silent, long = [], []
    for path in EVERY_MODULE:
        text = path.read_text(encoding="utf-8")
        first_line = (ast.get_docstring(ast.parse(text)) or "").partition("\n")[0]
        if not first_line.endswith((".", ":")):
            silent.append(named(path))
        if text.count("\n") > LONGEST_MODULE:
            long.append(named(path))
    assert (silent, long) == ([], [])


def test_a_thing_without_a_place_has_no_name_yet() -> None:
    parts = {part.removesuffix(".py") for path in EVERY_MODULE for part in path.relative_to(ROOT).parts}
    assert parts & NAMELESS == set()


def test_no_file_knows_the_machine_it_was_written_on() -> None:
    own = {"tests/test_repository.py"}
    places = re.compile(r"(?<![\w.])/(?:work|home|root|Users|opt|mnt)/[\w.]")
    hosts = re.compile(r"files\.pythonhosted|pypi\.org|registry\.npmjs|deb\.debian\.org")
    found = []
    for name in set(tracked()) - own:
        try:
            text = (ROOT / name).read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue
        found += [f"{name}: {match[0]}" for match in (*places.finditer(text), *hosts.finditer(text))]
    assert sorted(found) == []


def sections_in(annotation: object) -> Iterator[type[BaseModel]]:
    """The sections that a setting's type speaks of, optional ones and those in collections among them."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from sections_in(part)


def settings_of(model: type[BaseModel]) -> Iterator[str]:
    """The name of every setting and section, as deep as they go."""
    for name, each in model.model_fields.items():
        if not each.exclude:
            yield name
            for section in sections_in(each.annotation):
                yield from settings_of(section)


def test_the_example_configuration_loads() -> None:
    assert load_config(ROOT / "config.example.toml").practice.name


def test_the_example_configuration_names_every_setting() -> None:
    text = (ROOT / "config.example.toml").read_text(encoding="utf-8")
    assert [name for name in dict.fromkeys(settings_of(Config)) if not re.search(rf"\b{name}\b", text)] == []


def test_the_contract_lists_every_layer() -> None:
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"][
        "contracts"
    ]
    (layers,) = [contract for contract in contracts if contract["type"] == "layers"]
    assert layers["exhaustive"] is True
    listed = {name.strip() for line in layers["layers"] for name in line.strip("()").split("|")}
    there = {path.stem for path in (ROOT / "reminders").glob("*.py") if path.stem != "__init__"}
    there |= {path.parent.name for path in (ROOT / "reminders").glob("*/__init__.py")}
    assert listed == there


def locked(name: str) -> set[str]:
    """The packages that a lock file names, with their versions."""
    lines = (ROOT / name).read_text(encoding="utf-8").splitlines()
    return {line.split(" ")[0] for line in lines if line[:1].isalnum()}


def test_the_tests_run_on_the_versions_that_users_install() -> None:
    assert locked("requirements.lock") <= locked("tests/requirements.lock")


@pytest.mark.parametrize("name", ["requirements.lock", "tests/requirements.lock"])
def test_a_lock_names_no_place_and_checks_every_file(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    assert "://" not in text
    assert all(line.endswith("\\") for line in text.splitlines() if line[:1].isalnum())
    assert "--hash=sha256:" in text


def imported(top: str) -> set[str]:
    """The packages that modules below a folder import from outside."""
    ours = {"reminders", "tests", "demo"}
    found: set[str] = set()
    for path in (ROOT / top).rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                found.add(node.module.partition(".")[0])
    return found - ours - set(sys.stdlib_module_names)


@pytest.mark.parametrize(("top", "lock"), [("reminders", "requirements.lock"), ("tests", "tests/requirements.lock")])
def test_whatever_is_imported_is_locked(top: str, lock: str) -> None:
    names = {re.sub(r"[-_.]+", "-", line.partition("==")[0]).lower() for line in locked(lock)}
    packages = metadata.packages_distributions()
    missing = {
        name
        for name in imported(top)
        if not {re.sub(r"[-_.]+", "-", each).lower() for each in packages.get(name, [])} & names
    }
    assert missing == set()
