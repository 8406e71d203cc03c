"""A course from its first message to its record: messages, run, reply, concerns, replan, consent, cancel."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.build import LEAD
from tests.cli.terminal import END, PHONE, Terminal, enrollment

NEXT_DAY = "2026-03-08T20:00:00+00:00"


@pytest.fixture
def enrolled(terminal: Terminal) -> Terminal:
    """The terminal after Robin Example was enrolled."""
    terminal.enroll()
    return terminal


def sent(terminal: Terminal) -> list[dict[str, Any]]:
    lines = (terminal.folder / "outbox" / "messages.jsonl").read_text("utf-8").splitlines()
    return [json.loads(line) for line in lines]


def test_messages_are_listed_by_the_patients_clock_with_their_reasons(enrolled: Terminal) -> None:
    found = enrolled.ask("messages", "1")

    assert found[0]["key"] == "confirmation"
    assert all(message["send_at"].endswith(("-06:00", "-05:00")) for message in found)
    assert all(message["reasons"] for message in found)
    times = [message["send_at"] for message in found]
    assert times == sorted(times)


def test_a_course_is_a_table_for_people(enrolled: Terminal) -> None:
    result = enrolled.run("messages", "1", "--why")

    assert "dressing off" in result.stdout
    assert "scheduled" in result.stdout
    assert "when the procedure ended" in " ".join(result.stdout.split())


def test_what_is_due_is_sent_once(enrolled: Terminal) -> None:
    assert [message["key"] for message in enrolled.ask("messages", "--due")] == ["confirmation"]

    first = enrolled.ask("run", "--once")
    second = enrolled.ask("run", "--once")

    assert (first["sent"], second["sent"]) == (1, 0)
    assert enrolled.ask("messages", "--due") == []
    assert [message["to"] for message in sent(enrolled)] == ["+13125550123"]
    assert enrolled.ask("messages", "--state", "sent")[0]["key"] == "confirmation"


def test_a_run_tells_what_it_did(enrolled: Terminal) -> None:
    assert enrolled.run("run", "--once").stdout == "1 sent.\n"
    assert enrolled.run("run", "--once").stdout == "Nothing was due.\n"


def test_a_reply_is_read_answered_and_shown_to_staff(enrolled: Terminal) -> None:
    enrolled.run("run", "--once")

    taken = enrolled.ask("reply", "--from", PHONE, "there is smelly pus")

    assert (taken["label"], taken["concern"], taken["new"]) == ("urgent", 1, True)
    assert "pus" in taken["signs"]
    assert "Example Foot Care" in taken["answer"]
    assert enrolled.ask("run", "--once")["sent"] == 1
    assert sent(enrolled)[-1]["text"] == taken["answer"]


def test_a_reply_with_the_same_reference_is_taken_once(enrolled: Terminal) -> None:
    enrolled.ask("reply", "--from", PHONE, "--ref", "g-1", "is this swelling normal?")
    before = enrolled.counts()

    again = enrolled.ask("reply", "--from", PHONE, "--ref", "g-1", "is this swelling normal?")

    assert again["new"] is False
    assert enrolled.counts() == before


def test_a_reply_comes_from_stdin_whatever_its_bytes(enrolled: Terminal) -> None:
    taken = enrolled.ask("reply", "--from", PHONE, "-", stdin=b"\xffit smells bad")

    assert "smell" in taken["signs"]


def test_stop_is_honoured_and_confirmed_once(enrolled: Terminal) -> None:
    assert enrolled.ask("reply", "--from", PHONE, "STOP")["label"] == "stop"

    report = enrolled.ask("run", "--once")

    assert report["sent"] == 1  # the confirmation; the message that was due is withheld
    assert report["withheld"] == 1
    assert enrolled.ask("consent", "1")["addresses"][0]["state"] == "stopped"


def test_what_a_patient_writes_gives_the_terminal_no_orders(enrolled: Terminal) -> None:
    # ECMA-48: ESC and the C1 controls begin them; a tab and the end of a line are none
    enrolled.ask("reply", "--from", PHONE, "pus \x1b]0;gone\x07 and\x9b31m\x08 smell\x7f")
    for words in (("concerns",), ("concerns", "show", "1"), ("triage", "--explain", "pus \x1b[2J smells")):
        shown = enrolled.run(*words).stdout
        assert "pus" in shown
        assert not {*shown} & {*map(chr, (*range(9), *range(11, 32), *range(127, 160)))}


def test_concerns_come_most_urgent_first_with_whom_to_call(enrolled: Terminal) -> None:
    enrolled.enroll("--first-name", "Pat", "--phone", "312-555-0125")
    enrolled.ask("reply", "--from", PHONE, "can I get more bandages?")
    enrolled.ask("reply", "--from", "312-555-0125", "I can't breathe and my face is swelling")

    found = enrolled.ask("concerns")

    assert [concern["urgency"] for concern in found] == ["emergency", "routine"]
    assert found[0]["reach"][0]["address"] == "+13125550125"
    assert found[0]["replies"][0]["text"] == "I can't breathe and my face is swelling"
    shown = enrolled.run("concerns").stdout
    assert shown.index("EMERGENCY") < shown.index("ROUTINE")
    assert "due in 15 min" in shown


def test_a_concern_is_taken_noted_and_closed_by_one_person(enrolled: Terminal) -> None:
    enrolled.ask("reply", "--from", PHONE, "there is smelly pus")

    assert enrolled.ask("concerns", "take", "1", "--by", "Nurse A")["taken_by"] == "Nurse A"
    assert enrolled.run("concerns", "take", "1", "--by", "Nurse B").exit_code == 1
    enrolled.ask("concerns", "note", "1", "--by", "Nurse A", "no answer yet")
    closed = enrolled.ask("concerns", "close", "1", "--by", "Nurse A", "--outcome", "reached", "--note", "comes in")

    assert (closed["state"], closed["outcome"]) == ("closed", "reached")
    assert [step["action"] for step in closed["history"]] == ["opened", "taken", "note", "closed"]
    assert enrolled.ask("concerns") == []
    assert len(enrolled.ask("concerns", "--all")) == 1


def test_an_overdue_concern_says_so(enrolled: Terminal) -> None:
    enrolled.ask("reply", "--from", PHONE, "I can't breathe")
    enrolled.later(NEXT_DAY)

    assert enrolled.ask("concerns")[0]["overdue"] is True
    assert "overdue by" in enrolled.run("concerns").stdout


def test_a_replan_shows_the_difference_and_stores_it_when_told(enrolled: Terminal) -> None:
    rehearsal = enrolled.ask("replan", "1", "--visit", "2026-03-20T10:00", "--dry-run")
    unchanged = enrolled.ask("record", "1")["facts"]["visit"]
    stored = enrolled.ask("replan", "1", "--visit", "2026-03-20T10:00", "--yes")

    assert (rehearsal["stored"], stored["stored"]) == (False, True)
    assert rehearsal["changes"] == stored["changes"]
    assert any(change["key"] == "visit" for change in stored["changes"])
    assert unchanged is None
    assert enrolled.ask("record", "1")["facts"]["visit"] == "2026-03-20T15:00:00+00:00"


def test_a_replan_adds_and_takes_away_factors(enrolled: Terminal) -> None:
    def factors() -> list[str]:
        found: list[str] = enrolled.ask("record", "1")["facts"]["factors"]
        return found

    enrolled.ask("replan", "1", "--factor", "diabetes", "--factor", "blood thinner", "--yes")
    assert factors() == ["blood_thinner", "diabetes"]
    enrolled.ask("replan", "1", "--no-factor", "diabetes", "--yes")
    assert factors() == ["blood_thinner"]
    enrolled.ask("replan", "1", "--factor", "none", "--yes")
    assert factors() == []


def test_a_visit_can_be_taken_back(enrolled: Terminal) -> None:
    enrolled.ask("replan", "1", "--visit", "2026-03-20T10:00", "--yes")

    enrolled.ask("replan", "1", "--visit", "none", "--yes")

    assert enrolled.ask("record", "1")["facts"]["visit"] is None


def test_a_cancelled_course_sends_nothing_more(enrolled: Terminal) -> None:
    cancelled = enrolled.ask("cancel", "1", "--reason", "wrong patient", "--by", "front desk", "--yes")

    assert cancelled["cancelled"] > 10
    assert enrolled.ask("run", "--once")["sent"] == 0
    assert enrolled.ask("enrollments") == []
    assert enrolled.ask("enrollments", "--all")[0]["state"] == "cancelled"


def test_consent_is_withdrawn_and_given_again_with_its_history(enrolled: Terminal) -> None:
    enrolled.ask("consent", "1", "--withdraw", "sms", "--wording", "no more texts", "--by", "front desk")
    enrolled.ask("consent", "1", "--give", PHONE, "--by", "front desk")

    found = enrolled.ask("consent", "1")

    assert [line["action"] for line in found["history"]] == ["given", "withdrawn", "given"]
    assert found["addresses"][0]["state"] == "active"


@pytest.mark.parametrize("search", ["ROBIN", "xampl", "555-0123", "robin exa", "13125550123"])
def test_patients_are_found_by_what_the_desk_knows(enrolled: Terminal, search: str) -> None:
    enrolled.enroll("--first-name", "José", "--last-name", "Muestra", "--phone", "312-555-0125")

    assert [patient["id"] for patient in enrolled.ask("patients", search)] == [1]
    assert [course["id"] for course in enrolled.ask("enrollments", search)] == [1]


def test_accents_do_not_count_in_a_search(enrolled: Terminal) -> None:
    enrolled.enroll("--first-name", "José", "--last-name", "Muestra", "--phone", "312-555-0125")

    assert enrolled.ask("patients", "jose")[0]["name"] == "José Muestra"


def test_the_record_holds_everything_about_the_course(enrolled: Terminal) -> None:
    enrolled.ask("run", "--once")
    enrolled.ask("reply", "--from", PHONE, "there is smelly pus")
    enrolled.ask("concerns", "close", "1", "--by", "Nurse A", "--outcome", "sent_to_clinic")

    found = enrolled.ask("record", "1")

    assert found["plan"]["approval"]["approved_by"] == "C. Clinician"
    assert len(found["plan"]["hash"]) == 64
    assert {message["state"] for message in found["messages"]} >= {"sent", "scheduled", "joined"}
    assert [reply["label"] for reply in found["replies"]] == ["urgent"]
    assert [answer["key"] for answer in found["answers"]] == ["answer_urgent"]
    assert found["concerns"][0]["outcome"] == "sent_to_clinic"
    assert [line["action"] for line in found["consent"]] == ["given"]
    shown = enrolled.run("record", "1").stdout
    for part in ("C. Clinician", "there is smelly pus", "sent to clinic", "desk-1"):
        assert part in shown


def test_a_task_for_staff_stands_in_the_record_until_a_run_makes_it_a_concern(terminal: Terminal) -> None:
    terminal.run("approve", "punch-biopsy", "--by", "C. Clinician", "--license", "12345", "--yes")
    words = ["punch-biopsy" if word == LEAD else word for word in enrollment()]
    terminal.ask(*words, "--site=left arm")
    (task,) = terminal.ask("record", "1")["tasks"]
    assert (task["key"], task["due_at"], task["state"]) == ("result_given", "2026-03-21T08:00:00-05:00", "waiting")
    terminal.later("2026-03-21T13:00:00+00:00")
    terminal.run("run", "--once")
    (concern,) = [each for each in terminal.ask("concerns") if each["kind"] == "task"]
    assert (concern["urgency"], concern["enrollment"]) == ("routine", 1)
    assert "Was the result given" in terminal.run("concerns").stdout
    shown = terminal.run("record", "1").stdout
    assert "Tasks for staff" in shown
    assert f"concern {concern['id']}" in shown


def test_a_preview_shows_what_staff_see_to_apart_from_the_messages(terminal: Terminal) -> None:
    given = ("preview", "punch-biopsy", "--end", END, "--zone", "America/Chicago")
    shown = terminal.run(*given).stdout
    assert "For staff" in shown
    assert "Was the result given to the patient and recorded?" in shown
    assert "For staff" not in terminal.run(*given, "--sheet").stdout
    assert all(message["key"] != "result_given" for message in terminal.ask(*given))


def test_a_call_without_an_answer_is_noted_and_the_concern_stays_taken(enrolled: Terminal) -> None:
    enrolled.ask("reply", "--from", PHONE, "there is smelly pus")

    found = enrolled.ask("concerns", "call", "1", "--by", "Nurse", "--outcome", "left_voicemail", "--note", "again")

    assert (found["state"], found["taken_by"]) == ("taken", "Nurse")
    assert found["history"][-1]["action"] == "called"
    assert found["history"][-1]["note"] == "left_voicemail: again"


def test_the_forecast_counts_the_course_and_says_whether_all_is_well(enrolled: Terminal) -> None:
    found = enrolled.ask("forecast")
    assert found["messages"] == sum(each["due"] for each in found["hours"]) > 10
    assert found["zones"] == [
        {"zone": "America/Chicago", "messages": found["messages"], "segments": found["segments"], "cost": "0"}
    ]
    assert found["too_late"] == []
    said = enrolled.run("forecast", "--days", "3").stdout
    assert "Each goes out while it is useful." in said
    assert "no limit" in said


def test_the_forecast_names_what_the_pace_lets_out_too_late(enrolled: Terminal) -> None:
    config = enrolled.folder / "config.toml"
    config.write_text(config.read_text("utf-8") + '\n[delivery.pace]\nsms = ["1/day"]\n', "utf-8")
    found = enrolled.ask("forecast", status=1)
    assert "soak" in {each["key"] for each in found["too_late"]}
    assert "too late; raise the pace" in enrolled.run("forecast").stdout


def test_the_record_is_also_a_page_and_a_bundle(enrolled: Terminal, tmp_path: Path) -> None:
    made = json.loads(enrolled.run("record", "1", "--fhir").stdout)
    assert (made["resourceType"], made["type"]) == ("Bundle", "collection")
    page = tmp_path / "record.html"
    enrolled.run("record", "1", "--output", str(page))
    assert page.read_text("utf-8").startswith("<!doctype html>")
    assert page.stat().st_mode & 0o077 == 0
    printed = tmp_path / "record.pdf"
    enrolled.run("record", "1", "-o", str(printed))
    assert printed.read_bytes().startswith(b"%PDF-")


@pytest.mark.parametrize("asked", [("--output", "record.docx"), ("--json", "--fhir")])
def test_a_record_in_no_known_form_is_refused(enrolled: Terminal, asked: tuple[str, ...]) -> None:
    result = enrolled.run("record", "1", *asked)
    assert (result.exit_code, result.stdout) == (2, "")
    assert not Path("record.docx").exists()
