"""The demo as a newcomer and a program meet it: played as a process, judged by its JSON and what it leaves behind."""

from __future__ import annotations

import csv
import json
import os
import re
import shlex
import sqlite3
import subprocess
import sys
from collections import Counter
from datetime import datetime, time
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

DEMO = Path(__file__).parents[2] / "demo"
CHICAGO = ZoneInfo("America/Chicago")
DETROIT = ZoneInfo("America/Detroit")


def play(out: Path, *options: str, columns: int = 80) -> subprocess.CompletedProcess[str]:
    """Play the demo without a terminal, from another folder."""
    return subprocess.run(
        [sys.executable, str(DEMO / "play.py"), "--out", str(out), *options],
        capture_output=True,
        encoding="utf-8",
        stdin=subprocess.DEVNULL,
        cwd=out.parent,
        env={**os.environ, "COLUMNS": str(columns)},
        check=False,
        timeout=60,
    )


def messages_in(out: Path) -> list[dict[str, Any]]:
    """Every message that left, as the transport wrote it down."""
    lines = (out / "outbox" / "messages.jsonl").read_text(encoding="utf-8").splitlines()
    return [json.loads(line) for line in lines]


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder that a first run has left."""
    return tmp_path_factory.mktemp("demo") / "out"


@pytest.fixture(scope="module")
def told(out: Path) -> dict[str, Any]:
    """The summary for programs, of the first run."""
    done = play(out, "--json")
    assert done.returncode == 0, done.stderr
    summary: dict[str, Any] = json.loads(done.stdout)
    return summary


@pytest.fixture(scope="module")
def handed_over(out: Path, told: dict[str, Any]) -> list[dict[str, Any]]:
    """Every message that left by the first run."""
    assert told["sent"]
    return messages_in(out)


def to(handed_over: list[dict[str, Any]], address: str) -> list[dict[str, Any]]:
    """The messages to one address."""
    return [message for message in handed_over if message["to"] == address]


def moment(message: dict[str, Any], zone: ZoneInfo = CHICAGO) -> str:
    """When a message left, by the clocks of a zone."""
    return f"{datetime.fromisoformat(message['at']).astimezone(zone):%a %d %H:%M}"


def reply_of(told: dict[str, Any], who: str, part: str) -> dict[str, Any]:
    """What was made of a patient's reply."""
    (found,) = [each for each in told["replies"] if each["who"] == who and part in each["text"]]
    return dict(found)


def test_at_least_twelve_patients_in_two_zones(told: dict[str, Any]) -> None:
    assert told["patients"] >= 12
    assert told["zones"] == ["America/Chicago", "America/Detroit"]


def test_faulty_rows_are_reported_and_not_enrolled(told: dict[str, Any]) -> None:
    refused = {
        row["name"]: (row["state"], " ".join(row["problems"])) for row in told["rows"] if row["state"] != "enrolled"
    }
    assert refused["Marta NOWAK"][0] == "already"
    assert "312-555-01" in refused["Bruno Falk"][1]
    assert "31/02/2026" in refused["Nadia Petrova"][1]
    assert "consent" in refused["Victor Lang"][1]
    assert len(refused) == 4
    assert len(told["rows"]) == told["patients"] + 4


def test_every_figure_agrees_with_the_log(told: dict[str, Any], handed_over: list[dict[str, Any]]) -> None:
    channels = Counter(message["channel"] for message in handed_over)
    assert told["sent"] == len(handed_over) == sum(told["kinds"].values())
    assert sum(day["sms"] for day in told["days"]) == channels["sms"]
    assert sum(day["emails"] for day in told["days"]) == channels["email"]
    assert told["segments"] == sum(message.get("segments", 0) for message in handed_over)


def test_every_figure_agrees_with_the_database(out: Path, told: dict[str, Any]) -> None:
    with sqlite3.connect(out / "reminders.sqlite3") as database:
        states = dict(database.execute("SELECT state, count(*) FROM message GROUP BY state"))
        open_ones = [row[0] for row in database.execute("SELECT id FROM concern WHERE state <> 'closed' ORDER BY id")]
    database.close()
    assert told["states"] == states
    assert sorted(call["id"] for call in told["calls"]) == open_ones


def test_an_email_file_lies_beside_each_email(out: Path, handed_over: list[dict[str, Any]]) -> None:
    emails = {f"{message['key']}.eml" for message in handed_over if message["channel"] == "email"}
    assert emails
    assert {path.name for path in (out / "outbox" / "emails").iterdir()} == emails


def test_nothing_but_answers_leaves_at_night(told: dict[str, Any], handed_over: list[dict[str, Any]]) -> None:
    # 47 CFR 64.1200(c)(1), as a yardstick: not before 8 a.m. and not after 9 p.m. by the called party's clock
    detroit = {"+12695550113", "+12695550118"}
    at_night = []
    for message in handed_over:
        zone = DETROIT if message["to"] in detroit else CHICAGO
        local = datetime.fromisoformat(message["at"]).astimezone(zone)
        if not time(8) <= local.time() <= time(21):
            at_night.append((message["to"], f"{local:%H:%M}"))
    assert at_night == [("+13125550121", "03:02")]  # the answer to an emergency
    assert reply_of(told, "Grace Okafor", "breathe")["label"] == "emergency"


def test_pain_relief_comes_before_a_block_that_wears_off_at_night(told: dict[str, Any]) -> None:
    # Friday 18:50 and 8 hours (common practice, no source) is Saturday 02:50
    (moved,) = [each for each in told["moved"] if (each["who"], each["key"]) == ("Grace Okafor", "pain_relief")]
    assert moved["planned_at"] == "2026-03-07T01:50:00-06:00"
    assert moved["sent_at"] == "2026-03-06T20:45:00-06:00"
    assert moved["rule"] == "quiet_hours"


def test_what_no_message_can_say_in_time_is_said_at_the_desk(told: dict[str, Any]) -> None:
    (said,) = told["at_desk"]
    assert (said["who"], said["keys"]) == ("Elif Kaya", ["pain_relief", "warning_signs"])


def test_a_dressing_stays_for_24_hours_when_the_clocks_change(handed_over: list[dict[str, Any]]) -> None:
    # Clocks in the US went forward on Sunday 8 March 2026 (15 U.S.C. 260a); Saturday 10:10 and 24 h is Sunday 11:10
    lena = [message for message in to(handed_over, "+13125550125") if "dressing" in message["text"]]
    assert "Sun 08 11:10" in [moment(message) for message in lena]


def test_after_stop_only_its_confirmation_is_sent(told: dict[str, Any], handed_over: list[dict[str, Any]]) -> None:
    # 47 CFR 64.1200(a)(12): one text confirms the opt-out, within five minutes
    assert reply_of(told, "Omar Haddad", "STOP")["label"] == "stop"
    after = [moment(m, DETROIT) for m in to(handed_over, "+12695550118") if m["at"] >= "2026-03-09T13:20"]
    assert after == ["Mon 09 09:20"]


def test_a_wrong_number_gets_no_more_instructions(told: dict[str, Any]) -> None:
    assert reply_of(told, "Carl Lindqvist", "wrong number")["label"] == "wrong_person"
    kept = [each for each in told["not_sent"] if each["who"] == "Carl Lindqvist"]
    assert "dressing_off" in [key for each in kept for key in each["keys"]]


@pytest.mark.parametrize(
    ("who", "part", "labels"),
    [
        pytest.param("Marta Nowak", "Thanks", {"none"}, id="thanks"),
        pytest.param("José Ñíguez", "Sí", {"none"}, id="yes in Spanish"),
        pytest.param("Theo Baptiste", "no.", {"urgent", "emergency"}, id="no, and soaked through"),
        pytest.param("Wei Zhang", "dark", {"urgent", "emergency"}, id="dark toe"),
        pytest.param("Tomás Rivera", "8", {"urgent"}, id="pain 8"),
        pytest.param("Aoife Byrne", "swimming", {"routine"}, id="question"),
        pytest.param("Marta Nowak", "C", {"none"}, id="visit confirmed"),
    ],
)
def test_replies_are_read(told: dict[str, Any], who: str, part: str, labels: set[str]) -> None:
    found = [e for e in told["replies"] if e["who"].casefold() == who.casefold() and part in e["text"]]
    assert found[-1]["label"] in labels


def test_a_visit_that_moves_takes_its_messages_along(told: dict[str, Any]) -> None:
    (visit,) = told["moved_visits"]
    assert (visit["who"], visit["to"]) == ("Lena Hofmann", "2026-03-24T09:30:00-05:00")
    moved = {change["key"]: change["after_at"] for change in visit["changes"] if change["what"] == "moved"}
    # two days before, and on the day itself
    assert moved["visit"].startswith("2026-03-22")
    assert moved["visit_today"].startswith("2026-03-24")


def test_who_needs_a_call_stands_by_urgency_with_words_and_due_time(told: dict[str, Any]) -> None:
    calls = told["calls"]
    assert [call["urgency"] for call in calls] == sorted(
        (call["urgency"] for call in calls), key=["emergency", "urgent", "routine"].index
    )
    assert calls[0]["urgency"] == "emergency"
    assert calls[0]["words"] == "my chest hurts and im short of breath since an hour"
    assert datetime.fromisoformat(calls[0]["due_at"]) > datetime.fromisoformat(told["now"])
    assert told["closed"]


def test_everything_left_behind_is_invented(handed_over: list[dict[str, Any]]) -> None:
    # 555-0100 to 555-0199 are kept for fiction (NANPA); example.org is reserved by RFC 2606 section 3
    addresses = {message["to"] for message in handed_over}
    assert all(re.fullmatch(r"\+1\d{3}55501\d\d|[^@]+@example\.org", address) for address in addresses)


def test_the_list_of_patients_is_invented_and_messy() -> None:
    rows = list(csv.reader((DEMO / "patients.csv").read_text(encoding="utf-8").splitlines(), delimiter=";"))
    numbers = [row[2] for row in rows[1:] if row[2]]
    assert all(re.search(r"55501\d?\d?$", re.sub(r"\D", "", number)) for number in numbers)
    assert len({re.sub(r"\d", "9", number.strip()) for number in numbers}) >= 8  # ways to write a number


@pytest.fixture(scope="module")
def again(out: Path, handed_over: list[dict[str, Any]]) -> tuple[list[dict[str, Any]], str]:
    """The messages of a second run into the folder of the first, and what a person reads then."""
    assert handed_over  # by the first run: the second makes the folder anew
    done = play(out)
    assert done.returncode == 0, done.stderr
    return messages_in(out), done.stdout


def test_the_same_run_hands_over_the_same(
    handed_over: list[dict[str, Any]], again: tuple[list[dict[str, Any]], str]
) -> None:
    # a key begins with a name that is drawn anew for each database
    first, second = (
        [{**each, "key": each["key"].rpartition("-")[2]} for each in run] for run in (handed_over, again[0])
    )
    assert second == first


def test_a_person_reads_it_in_eighty_columns(
    out: Path, told: dict[str, Any], again: tuple[list[dict[str, Any]], str]
) -> None:
    shown = again[1]
    lines = shown.splitlines()
    assert f"{told['sent']} messages in {told['segments']} SMS segments" in shown
    assert "Who needs a call now" in shown
    assert "invented" in lines[-1]
    # paths and commands are not broken, so that they can be copied; their length depends on where the checkout lies
    paths = (str(out.parent), str(Path(sys.executable).parent))
    assert [line for line in lines if len(line) > 80 and not any(path in line for path in paths)] == []


def test_the_commands_that_it_names_work(out: Path, told: dict[str, Any]) -> None:
    for command in told["look_further"]:
        program, *options = shlex.split(command)
        assert program.endswith("reminders")
        done = subprocess.run(
            [sys.executable, "-m", "reminders", *options], capture_output=True, cwd=out.parent, check=False, timeout=30
        )
        assert (done.returncode, done.stderr) == (0, b"")
        assert done.stdout


def test_a_folder_that_is_not_the_demo_s_is_left_alone(tmp_path: Path) -> None:
    kept = tmp_path / "out" / "letter.txt"
    kept.parent.mkdir()
    kept.write_text("dear diary", encoding="utf-8")
    done = play(kept.parent)
    assert done.returncode == 1
    assert "--out" in done.stderr
    assert [path.name for path in kept.parent.iterdir()] == ["letter.txt"]
