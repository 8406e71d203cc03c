"""`reminders move`: the practice outgrows its file, and goes on with a server."""

from __future__ import annotations

import re
import uuid
from pathlib import Path

from tests.cli.terminal import Terminal
from tests.servers import postgresql


def test_the_practice_goes_on_with_the_server_and_nobody_with_the_file(terminal: Terminal) -> None:
    terminal.enroll()
    before = terminal.ask("record", "1")
    target = postgresql().create(f"t{uuid.uuid4().hex}")
    moved = terminal.ask("move", "--to", target)
    assert moved["rows"]["enrollment"] == 1
    assert Path(moved["old_file"]).is_file()
    assert "there is no database" in terminal.run("record", "1").stderr.replace("\n", " ")
    config = terminal.folder / "config.toml"
    text = config.read_text("utf-8")
    assert re.search(r"^database = ", text, re.MULTILINE)
    config.write_text(re.sub(r"^database = .*$", f'database = "{target}"', text, count=1, flags=re.MULTILINE), "utf-8")
    assert terminal.ask("record", "1") == before
    assert terminal.ask("audit", "list", "--action", "database.move")


def test_nothing_moves_to_another_file(terminal: Terminal, tmp_path: Path) -> None:
    terminal.enroll()
    result = terminal.run("move", "--yes", "--to", f"sqlite:///{tmp_path / 'other.sqlite3'}")
    assert result.exit_code == 2
    assert terminal.ask("record", "1")
