"""Where keys are kept: who may read them, what is wrong with a faulty line, and that none is ever lost."""

from __future__ import annotations

import os
import stat
import sys
from pathlib import Path

import pytest

from reminders.errors import ConfigError, InputError
from reminders.records.key_sources import KeyCommand, KeyFile, KeySource, KeyVariable, as_line, as_text
from reminders.records.keyring import Key

TWO = (Key.new(), Key.new())


@pytest.fixture
def key_file(tmp_path: Path) -> KeyFile:
    file = KeyFile(tmp_path / "reminders.keys")
    file.create()
    return file


def test_a_new_key_file_is_its_owners_alone_and_holds_one_key(key_file: KeyFile) -> None:
    assert stat.S_IMODE(key_file.path.stat().st_mode) == 0o600
    assert len(key_file.read()) == 1
    assert [path.name for path in key_file.path.parent.iterdir()] == ["reminders.keys"]


def test_a_key_file_is_never_overwritten(key_file: KeyFile) -> None:
    before = key_file.path.read_bytes()
    with pytest.raises(InputError, match="was not touched"):
        key_file.create()
    assert key_file.path.read_bytes() == before
    assert len([*key_file.path.parent.iterdir()]) == 1


def test_a_key_is_added_before_the_others(key_file: KeyFile) -> None:
    (older,) = key_file.read()
    stamp, newer = key_file.stamp(), Key.new()
    key_file.put_first(newer)
    assert key_file.read() == (newer, older)
    assert stat.S_IMODE(key_file.path.stat().st_mode) == 0o600
    assert key_file.stamp() != stamp


@pytest.mark.parametrize("mode", [0o604, 0o640, 0o620, 0o644, 0o660, 0o666, 0o601])
def test_a_key_file_that_is_open_to_others_is_refused(key_file: KeyFile, mode: int) -> None:
    key_file.path.chmod(mode)
    with pytest.raises(ConfigError, match=f"open to others \\(mode {mode:04o}\\).*chmod 600"):
        key_file.read()


@pytest.mark.parametrize("mode", [0o600, 0o400])
def test_a_key_file_for_its_owner_alone_is_read(key_file: KeyFile, mode: int) -> None:
    key_file.path.chmod(mode)
    assert key_file.read()


def test_a_key_file_of_somebody_else_is_refused(key_file: KeyFile, monkeypatch: pytest.MonkeyPatch) -> None:
    if os.geteuid() == 0:
        os.chown(key_file.path, 65534, -1)
    else:
        monkeypatch.setattr(os, "geteuid", lambda: 65534)
    with pytest.raises(ConfigError, match="belongs to somebody else"):
        key_file.read()


def _variable(text: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> KeySource:
    monkeypatch.setenv("REMINDERS_TEST_KEYS", text)
    return KeyVariable("REMINDERS_TEST_KEYS")


def _command(text: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> KeySource:
    (tmp_path / "printed").write_text(text, "ascii")
    return KeyCommand((sys.executable, "-c", "import sys; print(open(sys.argv[1]).read())", str(tmp_path / "printed")))


def _file(text: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> KeySource:
    path = tmp_path / "some.keys"
    path.touch(0o600)
    path.write_text(text, "ascii")
    return KeyFile(path)


EACH_SOURCE = pytest.mark.parametrize("source", [_file, _variable, _command])


@EACH_SOURCE
def test_keys_are_read_in_their_order(source: object, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert callable(source)
    assert source(as_text(TWO), tmp_path, monkeypatch).read() == TWO


FAULTY = [
    pytest.param("", "holds no key|is not set", id="empty"),
    pytest.param("# nothing but a remark\n", "holds no key", id="no key"),
    pytest.param("4bd52bfb\n", "line 1: is no key", id="id alone"),
    pytest.param(f"{as_line(TWO[0])}\n{as_line(TWO[1])[:-4]}\n", "line 2: is no key", id="cut"),
    pytest.param(f"{as_line(TWO[0])} more", "line 1: is no key", id="too much"),
    pytest.param(f"{TWO[1].id} {as_line(TWO[0]).split()[1]}", "line 1: a letter is wrong", id="mistyped"),
    pytest.param("deadbeef c2hvcnQ=", "line 1: is no key", id="short"),
    pytest.param("deadbeef not*base64", "line 1: is no key", id="no base64"),
]


@EACH_SOURCE
@pytest.mark.parametrize(("text", "says"), FAULTY)
def test_a_faulty_line_is_named_and_not_repeated(
    source: object, text: str, says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert callable(source)
    with pytest.raises(ConfigError, match=says) as caught:
        source(text, tmp_path, monkeypatch).read()
    secrets = [word for line in text.splitlines() if not line.startswith("#") for word in line.split()[1:]]
    assert not any(word in str(caught.value) for word in secrets if len(word) > 6)


def test_a_missing_file_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"there is no key file .* Put your copy of it there"):
        KeyFile(tmp_path / "none.keys").read()


def test_a_command_that_fails_is_not_quoted() -> None:
    words = (sys.executable, "-c", f"import sys; sys.exit({as_line(TWO[0])!r})")
    with pytest.raises(ConfigError, match="gives no keys: CalledProcessError") as caught:
        KeyCommand(words).read()
    assert TWO[0].id not in str(caught.value)


def test_a_command_that_does_not_exist_is_told(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="gives no keys: FileNotFoundError"):
        KeyCommand((str(tmp_path / "no-such-program"),)).read()
