"""The practice's settings on the pages: checked as a whole, kept with who and when, put back, taken up everywhere."""

from __future__ import annotations

import re
from typing import Any

import httpx

from reminders.assembly import App
from reminders.desk.roles import Role
from tests.desk.office import Office, at
from tests.web.people import browser_of, send
from tests.web.server import serving

PAGE = "/staff/settings"
PRACTICE = {
    "name": "Example Foot Care",
    "phone": "312-555-0100",
    "after_hours_phone": "312-555-0199",
    "emergency_number": "911",
    "email": "office@example.org",
    "visit_minutes": "30",
}
WEEK = {
    **dict.fromkeys(("monday", "tuesday", "wednesday", "thursday", "friday"), "08:30-17:30"),
    "saturday": "",
    "sunday": "",
    "closed_on": "",
}
CONTACT = {"quiet_hours": "21:00-08:00", "daily_limit": "5"}
PACE = {"emergency_step_minutes": "5", "step_minutes": "15", "urgent_take_minutes": "30"}
NURSE = {"person.0.key": "", "person.0.name": "N. Nurse", "person.0.phone": "312-555-0141", "person.0.email": ""}


def change(browser: httpx.Client, section: str, **fields: Any) -> httpx.Response:
    """Send a section's form as its page gives it, with other values."""
    page = browser.get(f"{PAGE}/{section}").text
    seen = re.search(r'name="seen" value="(\d+)"', page)
    assert seen
    return send(browser, f"{PAGE}/{section}/change", **{"seen": seen[1], **fields})


def faults(page: httpx.Response) -> dict[str, str]:
    """What stands beside the fields of a form, by the field's id."""
    found = re.findall(r'id="([\w-]+)-says"><strong class="fault">(.*?)</strong>', page.text)
    return dict(found)


def test_a_change_holds_at_once_and_says_whose_it_is(ada: httpx.Client, office: Office) -> None:
    answer = change(ada, "practice", **PRACTICE | {"phone": "312-555-0150"})
    assert answer.headers["location"] == f"{PAGE}/practice?done=saved"
    page = ada.get(f"{PAGE}/practice").text
    assert "Changed here by <bdi>Ada Admin</bdi>" in page
    assert "312-555-0150" in ada.get(PAGE).text
    office.enroll()
    assert "312-555-0150" in office.messages(1)[0].text


def test_every_fault_stands_at_its_field_and_nothing_is_saved(ada: httpx.Client, office: Office) -> None:
    wrong = {"name": "", "email": "nobody", "visit_minutes": "3"}
    page = change(ada, "practice", **PRACTICE | wrong)
    assert page.status_code == 400
    assert set(faults(page)) == {"name", "email", "visit_minutes"}
    assert 'value="nobody"' in page.text
    hours = change(ada, "opening_hours", **WEEK | {"monday": "8-12", "friday": "17:30-08:30", "closed_on": "Christmas"})
    assert set(faults(hours)) == {"monday", "friday", "closed_on"}
    quiet = change(ada, "contact", quiet_hours="21:00", daily_limit="99", **{"quiet_hours_on.sunday": "late"})
    assert set(faults(quiet)) == {"quiet_hours", "daily_limit", "quiet_hours_on-sunday"}
    never_open = change(ada, "opening_hours", **dict.fromkeys(WEEK, ""))
    assert "the practice is never open" in never_open.text
    assert office.app.rules.version == 0


def test_a_duty_list_is_made_changed_and_emptied(ada: httpx.Client, office: Office) -> None:
    assert change(ada, "duty", **NURSE, **PACE).status_code == 303
    page = ada.get(f"{PAGE}/duty").text
    assert '<option value="n_nurse"' in page
    kept = NURSE | {"person.0.key": "n_nurse"}
    shift = {
        "shift.0.days": ["monday", "tuesday"],
        "shift.0.hours": "17:30-08:30",
        "shift.0.people": ["n_nurse", "", ""],
    }
    holiday = {"shift.1.dates": "2026-12-25", "shift.1.people": ["n_nurse"]}
    second = {"person.1.name": "C. Clinician", "person.1.email": "clinician@example.org"}
    assert change(ada, "duty", **kept, **second, **shift, **holiday, **PACE).status_code == 303
    duty = office.desk.duty
    assert [each.name for each in duty.people] == ["N. Nurse", "C. Clinician"]
    assert [each.name for each in duty.on_duty(at("2026-06-15T18:00"))] == ["N. Nurse"]
    assert [each.name for each in duty.on_duty(at("2026-06-15T12:00"))] == ["N. Nurse", "C. Clinician"]
    gone = change(ada, "duty", **kept | {"person.0.gone": "on"}, **shift, **PACE)
    assert gone.status_code == 400
    assert "who is not among the people" in gone.text
    assert (
        change(ada, "duty", **kept | {"person.0.gone": "on"}, **shift | {"shift.0.gone": "on"}, **PACE).status_code
        == 303
    )
    assert office.desk.duty.people == ()


def test_numbers_and_addresses_of_the_duty_list_are_read(ada: httpx.Client) -> None:
    people = NURSE | {"person.0.key": "nurse", "person.0.phone": "12", "person.0.email": "nobody"}
    page = change(ada, "duty", **people, **PACE)
    assert set(faults(page)) == {"person-0-phone", "person-0-email"}


def test_two_who_change_the_same_are_told(ada: httpx.Client, office: Office) -> None:
    change(ada, "contact", **CONTACT | {"daily_limit": "4"})
    late = send(ada, f"{PAGE}/contact/change", seen="0", **CONTACT | {"daily_limit": "6"})
    assert late.status_code == 409
    assert "Somebody changed this meanwhile" in late.text
    assert office.app.config.contact.daily_limit == 4


def test_an_earlier_version_is_put_back_and_so_is_the_file(ada: httpx.Client, office: Office) -> None:
    for phone in ("312-555-0150", "312-555-0151"):
        change(ada, "practice", **PRACTICE | {"phone": phone})
    history = ada.get(f"{PAGE}/changes").text
    assert re.search(r"312-555-0150</td><td>312-555-0151", history)
    assert send(ada, f"{PAGE}/changes/1/put-back").headers["location"] == f"{PAGE}/changes?done=back"
    assert office.app.config.practice.phone == "312-555-0150"
    send(ada, f"{PAGE}/practice/to-file")
    assert office.app.config.practice.phone == "312-555-0100"
    assert office.app.rules.version == 4
    assert "put back change 1" in ada.get(f"{PAGE}/changes").text
    assert send(ada, f"{PAGE}/changes/99/put-back").status_code == 404


def test_what_is_not_different_is_no_change(ada: httpx.Client, office: Office) -> None:
    assert change(ada, "practice", **PRACTICE).status_code == 303
    assert office.app.rules.version == 0


def test_another_process_takes_a_change_up_without_a_restart(ada: httpx.Client, office: Office) -> None:
    other = App(office.app.written, office.clock)
    dispatcher = other.dispatcher()
    change(ada, "contact", **CONTACT | {"quiet_hours": "09:00-08:00"})
    office.enroll()
    runner = other.runner(dispatcher)
    (job,) = [each for each in runner._jobs if each.name == "settings"]
    job.run()
    assert other.desk.house == office.desk.house
    with serving(other) as second, browser_of(second, office, Role.CLINICIAN, login="cleo") as cleo:
        change(ada, "practice", **PRACTICE | {"name": "Example Hand Care"})
        assert "Example Hand Care" in cleo.get("/staff/today").text
    dispatcher.close()
    other.database.close()


def test_new_quiet_hours_hold_back_what_waits(ada: httpx.Client, office: Office) -> None:
    office.enroll()
    office.dispatcher.run_once()
    waiting = next(each for each in office.messages(1) if each.state == "scheduled")
    day = dict.fromkeys(("quiet_hours_on.wednesday", "quiet_hours_on.thursday"), "00:00-23:59")
    change(ada, "contact", **CONTACT | day)
    office.clock.move_to(waiting.send_at)
    office.dispatcher.run_once()
    after = office.message(1, waiting.key, waiting.occurrence)
    assert after.state in {"scheduled", "withheld"}
    assert "quiet hours" in (after.detail or "")
    office.dispatcher.close()


def test_the_pages_say_what_becomes_of_messages_that_wait(ada: httpx.Client, office: Office) -> None:
    office.enroll()
    waiting = sum(each.state == "scheduled" for each in office.messages(1))
    assert f"{waiting} messages that wait stay as they were written." in ada.get(f"{PAGE}/practice").text
    assert f"{waiting} messages that wait keep their planned hours." in ada.get(f"{PAGE}/contact").text


def test_a_secret_and_a_transport_can_not_be_set_here(ada: httpx.Client, office: Office) -> None:
    answer = change(ada, "practice", **PRACTICE | {"zone": "Europe/Paris", "id": "other", "phone": "312-555-0151"})
    assert answer.status_code == 303
    assert (office.app.config.practice.zone, office.app.config.practice.id) == ("America/Chicago", "main")
    assert ada.get(f"{PAGE}/delivery").status_code == 404
    assert "every secret stand in that file only" in ada.get(PAGE).text
