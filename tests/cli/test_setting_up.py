"""`init`, `doctor`, `procedures`, `approve`: a practice set up, looked after, and its plans approved."""

from __future__ import annotations

import re
import shutil
import stat
import tomllib
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from reminders.cli import commands, doctor_checks
from reminders.config import Config, load_config
from reminders.config_desk import DutySection
from reminders.desk.plans import PlanLibrary
from tests.build import LEAD, PLANS
from tests.cli.terminal import PHONE, Terminal

ANSWERS = (
    "--name",
    'The "Foot" Practice \\ Söhne',
    "--zone",
    "Europe/Berlin",
    "--region",
    "de",
    "--phone",
    "030 23125 000",
    "--emergency-number",
    "112",
)
EXAMPLE = Path(__file__).parents[2] / "config.example.toml"


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_init_writes_a_configuration_that_reads_back(tmp_path: Path) -> None:
    made = Terminal(tmp_path).ask("init", *ANSWERS)

    practice = load_config(tmp_path / "config.toml").practice
    assert (practice.name, practice.zone, practice.region) == ('The "Foot" Practice \\ Söhne', "Europe/Berlin", "DE")
    assert (made["wrote_config"], made["schema_before"]) == (True, None)
    assert any("approve" in step for step in made["next"])


def test_each_answer_to_init_is_asked_for_until_it_is_sound(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("reminders.cli.setting_up.somebody_is_there", lambda: True)
    answers = ("Example Practice", "Mars", "America/Chicago", "312-555-0100", "us", "312-555-0100", "", "")
    result = Terminal(tmp_path).run("init", stdin="\n".join(answers) + "\n")

    assert result.exit_code == 0, result.stderr
    assert "'Mars' is not a time zone" in result.stderr
    assert "must be a country's two letters" in result.stderr
    practice = load_config(tmp_path / "config.toml").practice
    assert (practice.zone, practice.region, practice.phone) == ("America/Chicago", "US", "312-555-0100")


def test_init_does_not_guess_a_number_that_calls_no_help(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    refused = Terminal(tmp_path).run("init", *ANSWERS[:-2])

    assert (refused.exit_code, "--emergency-number is needed" in refused.stderr) == (2, True)
    monkeypatch.setattr("reminders.cli.setting_up.somebody_is_there", lambda: True)
    asked = Terminal(tmp_path).run("init", *ANSWERS[:-2], stdin="\n\n112\n")
    assert asked.exit_code == 0, asked.stderr
    assert load_config(tmp_path / "config.toml").practice.emergency_number == "112"


def test_what_init_makes_is_its_owners_only(tmp_path: Path) -> None:
    Terminal(tmp_path).ask("init", *ANSWERS)

    assert (mode(tmp_path / "config.toml"), mode(tmp_path / "reminders.sqlite3")) == (0o600, 0o600)


def test_init_leaves_a_configuration_alone(terminal: Terminal) -> None:
    before = (terminal.folder / "config.toml").read_bytes()

    again = terminal.ask("init")
    refused = terminal.run("init", *ANSWERS)

    assert again["wrote_config"] is False
    assert refused.exit_code == 2
    assert (terminal.folder / "config.toml").read_bytes() == before


def test_init_by_force_keeps_the_old_configuration_beside_the_new(terminal: Terminal) -> None:
    before = (terminal.folder / "config.toml").read_bytes()

    terminal.ask("init", *ANSWERS, "--force")

    assert (terminal.folder / "config.toml.old").read_bytes() == before
    assert load_config(terminal.folder / "config.toml").practice.zone == "Europe/Berlin"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        pytest.param(["--zone", "UTC"], ["--name is needed", "--phone is needed"], id="missing"),
        pytest.param([*ANSWERS, "--zone", "Mars"], ["--zone: 'Mars'"], id="zone"),
        pytest.param([*ANSWERS, "--region", "Germany"], ["--region: must be a country's two letters"], id="region"),
        pytest.param([*ANSWERS, "--name", "two\nlines"], ["--name: must be one line"], id="name"),
        pytest.param([*ANSWERS, "--database", "mysql://x"], ["not supported"], id="database"),
    ],
)
def test_init_names_every_faulty_answer_and_makes_nothing(tmp_path: Path, words: list[str], says: list[str]) -> None:
    result = Terminal(tmp_path).run("init", *words)

    assert result.exit_code == 2
    assert all(part in result.stderr for part in says)
    assert list(tmp_path.iterdir()) == []


def test_init_that_fails_leaves_no_configuration(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file where a folder is wanted", "utf-8")

    result = Terminal(tmp_path).run("init", *ANSWERS, "--database", "sqlite:///taken/reminders.sqlite3")

    assert result.exit_code == 2
    assert [path.name for path in tmp_path.iterdir()] == ["taken"]


def test_the_example_names_every_setting_with_its_default() -> None:
    values = tomllib.loads(EXAMPLE.read_text("utf-8"))
    example = Config.model_validate(values).model_dump()
    practice = values["practice"]
    needed = {name: practice[name] for name in ("name", "zone", "phone", "after_hours_phone", "email")}

    assert example == Config.model_validate({"practice": needed}).model_dump()
    ways_out = ["delivery.smtp", "delivery.smpp", "delivery.http"]  # shown as comments: tests/test_config_delivery.py
    commented = ["incoming.folder", "retention.texts_days", "retention.audit_years"]
    assert unnamed(example, values) == ["templates", "duty.people", "duty.shifts", *commented, *ways_out, "mailbox"]


def test_the_duty_list_shown_as_a_comment_is_one_that_works() -> None:
    text = EXAMPLE.read_text("utf-8")
    shown = text[text.index("[duty]") : text.index("[silence]")]
    uncommented = re.sub(r"(?m)^# (?=\[|\w+ = )", "", shown)
    duty = DutySection.model_validate(tomllib.loads(uncommented)["duty"])
    assert duty.people
    assert duty.shifts


def unnamed(settings: dict[str, Any], values: dict[str, Any], prefix: str = "") -> list[str]:
    """Settings that the file does not name, but as a comment (`templates` has no default to write)."""
    missing = []
    for name, value in settings.items():
        if name not in values:
            missing.append(prefix + name)
        elif isinstance(value, dict):
            missing += unnamed(value, values[name], f"{prefix}{name}.")
    return missing


def test_the_doctor_finds_nothing_wrong_with_a_new_practice(terminal: Terminal) -> None:
    found = terminal.ask("doctor")

    assert {finding["grade"] for finding in found} == {"fine", "note"}
    about = {finding["about"] for finding in found}
    assert {"configuration", "database", "time zones", "approvals", "messages", "concerns"} <= about


def wrong(terminal: Terminal) -> list[str]:
    return [f["about"] for f in terminal.ask("doctor", status=1) if f["grade"] == "wrong"]


def test_the_doctor_sees_files_that_others_may_read(terminal: Terminal) -> None:
    (terminal.folder / "config.toml").chmod(0o644)
    (terminal.folder / "reminders.sqlite3").chmod(0o640)

    assert wrong(terminal) == ["configuration file", "database"]


@pytest.mark.parametrize(
    ("zone", "number", "faults"),
    [  # as libphonenumber's metadata has them, which come from the numbering plans
        ("Asia/Kolkata", "911", ["emergency number"]),
        ("Asia/Kolkata", "112", []),
        ("Europe/London", "999", []),
        ("Australia/Lord_Howe", "000", []),
        ("America/St_Johns", "911", []),
        ("Etc/UTC", "911", []),
    ],
)
def test_the_doctor_sees_an_emergency_number_that_is_none(
    terminal: Terminal, zone: str, number: str, faults: list[str]
) -> None:
    config = terminal.folder / "config.toml"
    text = config.read_text("utf-8").replace("America/Chicago", zone)
    config.write_text(text.replace('emergency_number = "911"', f'emergency_number = "{number}"'), "utf-8")

    found = terminal.ask("doctor", status=1 if faults else 0)
    assert [f["about"] for f in found if f["grade"] == "wrong"] == faults


def test_the_doctor_sees_that_nothing_runs(terminal: Terminal) -> None:
    terminal.enroll()
    terminal.later("2026-03-07T22:00:00+00:00")

    assert wrong(terminal) == ["dispatching"]


def test_the_doctor_sees_a_disk_that_is_nearly_full(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doctor_checks, "_LEAST_ROOM", 10**12)

    assert wrong(terminal) == ["disk"]


def test_the_doctor_sees_overdue_concerns(terminal: Terminal) -> None:
    terminal.enroll()
    terminal.ask("reply", "--from", PHONE, "I can't breathe")
    terminal.ask("run", "--once")
    terminal.later("2026-03-07T22:01:00+00:00")

    assert wrong(terminal) == ["concerns"]


def test_the_doctor_sees_a_missing_database(terminal: Terminal) -> None:
    (terminal.folder / "reminders.sqlite3").unlink()

    assert wrong(terminal) == ["database"]


HTTP = """
[delivery.http]
url = "{url}"
hook_auth = {{ addresses = ["127.0.0.1"] }}
{hook}
[web]
address = "{address}"
"""
REPLY_HOOK = 'reply_hook = { sender = "from", text = "text" }'
FAR, BESIDE = "https://gateway.example.org/", "http://127.0.0.1:8000/"


@pytest.mark.parametrize(
    ("url", "hook", "address", "told"),
    [
        pytest.param(FAR, REPLY_HOOK, "https://desk.example.org", [], id="all there"),
        pytest.param(FAR, REPLY_HOOK, "", ["calls of the gateway"], id="no address for a gateway elsewhere"),
        pytest.param(BESIDE, REPLY_HOOK, "", [], id="a gateway on this machine needs none"),
        pytest.param(FAR, "", "https://desk.example.org", ["calls of the gateway"], id="nothing about replies"),
    ],
)
def test_the_doctor_sees_that_no_reply_can_come(
    terminal: Terminal, url: str, hook: str, address: str, told: list[str]
) -> None:
    config = terminal.folder / "config.toml"
    lines = config.read_text("utf-8").replace('sms = "file"', 'sms = "http"')
    config.write_text(lines + HTTP.format(url=url, hook=hook, address=address), "utf-8")

    found = terminal.ask("doctor", status=1 if told else 0)
    assert [each["about"] for each in found if each["grade"] == "wrong"] == told


def test_the_doctor_reads_a_faulty_configuration(terminal: Terminal) -> None:
    (terminal.folder / "config.toml").write_text("colour = 1\n", "utf-8")
    (terminal.folder / "config.toml").chmod(0o600)

    assert wrong(terminal) == ["configuration"]


def own_plans(terminal: Terminal) -> Path:
    """Let the practice use a copy of the lead plan that a test may change."""
    plans = terminal.folder / "plans"
    for name in (LEAD, "shared"):
        shutil.copytree(PLANS / name, plans / name)
    config = terminal.folder / "config.toml"
    config.write_text('templates = "plans"\n' + config.read_text("utf-8"), "utf-8")
    return plans


def test_the_doctor_and_the_list_see_a_faulty_plan(terminal: Terminal) -> None:
    plan = own_plans(terminal) / LEAD / "plan.toml"
    plan.write_text("colour = 'red'\n" + plan.read_text("utf-8"), "utf-8")

    assert wrong(terminal) == [f"procedure {LEAD}"]
    listed = {each["procedure"]: each for each in terminal.ask("procedures", status=1)}
    assert "plan.toml" in listed[LEAD]["faults"][0]


def test_procedures_are_listed_with_languages_and_approval(terminal: Terminal) -> None:
    found = {each["procedure"]: each for each in terminal.ask("procedures")}

    lead = found[LEAD]
    assert (lead["approved"], lead["languages"]["en"], lead["languages"]["es"]) == (True, "original", "draft")


def test_procedures_are_listed_without_any_configuration(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(commands, ["procedures"])

    assert result.exit_code == 0
    assert "not known" in result.stdout


def test_an_approval_holds_until_a_text_changes(terminal: Terminal) -> None:
    text = own_plans(terminal) / "shared" / "en" / "soak.sms.j2"
    assert [each["current"] for each in terminal.ask("approvals", LEAD)] == [True]

    text.write_text(text.read_text("utf-8").replace("Pat dry", "Dab dry"), "utf-8")

    fresh = Terminal(terminal.folder, library_of=PlanLibrary)
    assert [each["current"] for each in fresh.ask("approvals", LEAD)] == [False]
    approved = fresh.ask("approve", LEAD, "--by", "D. Clinician", "--license", "67890", "--yes")
    assert (approved["current"], approved["languages"]["en"]) == (True, "original")
    assert [each["current"] for each in fresh.ask("approvals", LEAD)] == [True, False]


def test_an_approval_shows_what_is_approved(terminal: Terminal) -> None:
    result = terminal.run("approve", LEAD, "--by", "D. Clinician", "--license", "67890", "--yes")

    assert "Version 1" in result.stdout
    assert "es: draft" in result.stdout
    assert "Approved by D. Clinician" in result.stdout
