"""Fixtures for the commands: an invented practice in Chicago, on a Saturday in March when clocks change at night."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.cli.terminal import Terminal, files_of_practice


@pytest.fixture(scope="session")
def fresh_practice(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a configuration, a new database, and the lead plan approved."""
    folder = tmp_path_factory.mktemp("practice")
    files_of_practice(folder)
    return folder


@pytest.fixture
def terminal(fresh_practice: Path, tmp_path: Path) -> Terminal:
    """A terminal in a practice of its own, at that moment."""
    folder = tmp_path / "practice"
    shutil.copytree(fresh_practice, folder)
    return Terminal(folder)
