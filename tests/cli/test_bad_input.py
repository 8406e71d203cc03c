"""What people and files get wrong: each fault is named, the status is 2, and not a row is written.

Numbers: 555-0100 to 555-0199 are reserved for fiction (ATIS-0300115); 020 7946 0xxx likewise (Ofcom).
"""

from __future__ import annotations

import shutil

import pytest

from tests.build import LEAD, PLANS
from tests.cli.terminal import END, PHONE, Terminal, enrollment

FROM_FILE = ("enroll", LEAD, "--csv")
GOOD = "first_name,phone,end,factors,consent\nZoë,312-555-0124,2026-03-07 15:10,none,yes\n"

WORDS: dict[str, tuple[list[str], str]] = {
    # who
    "no first name": (enrollment(first_name=None), "first name is missing"),
    "blank first name": (enrollment(first_name="   "), "first name is missing"),
    "a name of a thousand letters": (enrollment(first_name="x" * 1000), "1000 characters; at most 80"),
    "a name that turns text around": (enrollment(first_name="Ro\u202ebin"), "can't be shown"),
    "a name with a terminal code": (enrollment(last_name="\x1b[31mred"), "can't be shown"),
    # numbers and addresses
    "no number": (enrollment(phone=None), "mobile number is needed"),
    "letters for a number": (enrollment(phone="call me"), "is not a telephone number"),
    "too few digits": (enrollment(phone="555-0123"), "check its digits"),
    "too many digits": (enrollment(phone="312-555-01234"), "check its digits"),
    "a number with an extension": (enrollment(phone="312-555-0123 ext. 4"), "extension"),
    "an unused country code": (enrollment(phone="+999 555 0123"), "is not a telephone number"),
    "an address without a domain": (enrollment(email="robin@", channel="email"), "not an e-mail address"),
    "an address with two at signs": (enrollment(email="a@b@example.org"), "not an e-mail address"),
    "an address with a line break": (enrollment(email="a@example.org\nBcc: b@example.org"), "not an e-mail address"),
    "e-mail wanted and none given": (enrollment(channel="email"), "e-mail address is needed"),
    "an unknown channel": (enrollment(channel="pigeon"), "no channel 'pigeon'"),
    # dates and times
    "no end": (enrollment(end=None), "--end is needed"),
    "an end that is no date": (enrollment(end="yesterday"), "is not a date and time"),
    "a date without a time": (enrollment(end="2026-03-07"), "needs a time of day"),
    "the 30th of February": (enrollment(end="2026-02-30T10:00"), "is not a date and time"),
    "hour 25": (enrollment(end="2026-03-07T25:00"), "is not a date and time"),
    "month 13": (enrollment(end="13/13/2026 3:00 PM"), "is not a date and time"),
    "last year": (enrollment(end="2025-03-07T15:30"), "more than 30 days ago"),
    "next month": (enrollment(end="2026-04-07T15:30"), "more than 12 h from now"),
    "the year 1926": (enrollment(end="1926-03-07T15:30"), "year 1926"),
    "a visit before the procedure": (enrollment(visit="2026-03-01T10:00"), "after the procedure"),
    "a visit in ten years": (enrollment(visit="2036-03-01T10:00"), "by a year at most"),
    "a block after the end": (enrollment(block_placed="2026-03-07T16:30"), "not after it"),
    "a slot that is no time": (enrollment(slot="evening=late"), "is not a time of day"),
    "an unknown slot": (enrollment(slot="teatime=17:00"), "no time of day 'teatime'"),
    # zones and languages
    "an unknown zone": (enrollment(zone="Mars/Olympus"), "is not a time zone"),
    "an abbreviation for a zone": (enrollment(zone="CT"), "is not a time zone"),
    "a path for a zone": (enrollment(zone="../../etc/passwd"), "is not a time zone"),
    "a language without texts": (enrollment(language="tlh"), "has no texts in"),
    # the plan
    "an unknown procedure": (["enroll", "no-such-procedure", "--end", END], "no procedure 'no-such-procedure'"),
    "a path for a procedure": (["enroll", "../shared", "--end", END], "no procedure"),
    "an unknown factor": (enrollment(factor="unicorn"), "no patient factor 'unicorn'"),
    "an unknown setting": (enrollment(set="colour=red"), "colour"),
    "a setting out of range": (enrollment(set="stop_day=99"), "stop_day"),
    "a setting that is no number": (enrollment(set="stop_day=soon"), "stop_day"),
    "a setting without a value": (enrollment(set="stop_day"), "--set takes NAME=VALUE"),
    "an unknown anaesthetic": (enrollment(set="anaesthetic=ether"), "ether"),
    "a site with a control code": (enrollment(site="left\x07toe"), "plain characters"),
    "no consent": (enrollment(consent=None), "consent to be written to is missing"),
    "list options without a list": ([*enrollment()[:2], "--all-or-nothing"], "go with --list"),
    # other commands
    "an unknown command": (["enrol"], "No such command"),
    "an unknown option": ([*enrollment(), "--shout"], "No such option"),
    "an enrollment that is not there": (["messages", "99"], "no enrollment 99"),
    "an enrollment that is no number": (["messages", "abc"], "not a valid integer"),
    "messages of nothing": (["messages"], "name an enrollment"),
    "an unknown state": (["messages", "--state", "lost"], "no state 'lost'"),
    "a replan without a change": (["replan", "1"], "say what changed"),
    "a replan of nothing": (["replan", "99", "--visit", "none"], "no enrollment 99"),
    "a cancel without a terminal": (["cancel", "1", "--reason", "x"], "say --yes"),
    "a cancel of nothing": (["cancel", "99", "--reason", "x", "--yes"], "no enrollment 99"),
    "a record of nothing": (["record", "99"], "no enrollment 99"),
    "a consent of nobody": (["consent", "99"], "no patient 99"),
    "a consent for no address": (["consent", "99", "--give", PHONE], "no patient 99"),
    "a withdrawal without words": (["consent", "1", "--withdraw", "sms"], "--wording is needed"),
    "a reply from nobody": (["reply", "--from", "", "hello"], "is not a telephone number"),
    "a reply without words": (["reply", "--from", PHONE, "  "], "the reply is empty"),
    "a concern that is not there": (["concerns", "take", "99"], "no concern 99"),
    "an unknown outcome": (["concerns", "close", "99", "--outcome", "happy"], "no outcome 'happy'"),
    "an approval without a terminal": (["approve", LEAD, "--by", "C", "--license", "1"], "say --yes"),
    "an approval by nobody": (["approve", LEAD, "--by", " ", "--license", "1", "--yes"], "name and licence"),
    "a triage of nothing": (["triage"], "give the text"),
    "an init over a configuration": (["init", "--name", "Other"], "was not touched"),
}

FILES: dict[str, tuple[bytes, str]] = {
    "an empty file": (b"", "the file is empty"),
    "only white space": (b"\n \n", "the file is empty"),
    "a picture": (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", "no text in a known encoding"),
    "UTF-16 cut in the middle": (GOOD.encode("utf-16")[:-1], "isn't"),
    "UTF-16 without its mark": (GOOD.encode("utf-16-le"), "no text in a known encoding"),
    "bytes of no encoding": (GOOD.encode().replace("ë".encode(), b"\x81"), "no text in a known encoding"),
    "no header": (b"Zoe,312-555-0124,2026-03-07 15:10,none,yes\n", "column 'Zoe' is not known"),
    "an unknown column": (GOOD.replace("factors", "shoe size").encode(), "column 'shoe size' is not known"),
    "a column twice": (GOOD.replace("factors", "First Name").encode(), "is there twice"),
    "no consent column": (GOOD.replace("consent", "factors").replace("factors,", "last_name,", 1).encode(), "consent"),
    "no number column": (GOOD.replace("phone", "last_name").encode(), "column phone (or email) is missing"),
    "a date without a time column": (GOOD.replace("end", "date").encode(), "column time is missing"),
    "a quotation mark never closed": (GOOD.replace("Zoë", '"Zoë').encode(), "line 2: a cell begins with a quotation"),
    "a quotation mark inside a quoted cell": (GOOD.replace("Zoë", '"Zo"ë"').encode(), "write it twice"),
    "a row with a cell too many": (GOOD.replace(",yes", ",yes,no").encode(), "6 cells, but there are 5 columns"),
    "a huge cell": (GOOD.replace("Zoë", "x" * 1_000_000).encode(), "1,000,000 characters"),
    "a phone that a spreadsheet rounded": (GOOD.replace("312-555-0124", "3.12555E+09").encode(), "rounded the number"),
    "a consent that is neither": (GOOD.replace(",yes", ",maybe").encode(), "'maybe' is neither yes nor no"),
    "an unknown zone in a row": (
        GOOD.replace("factors", "zone").replace("none", "Mars").encode(),
        "'Mars' is not a time zone",
    ),
}


@pytest.mark.parametrize(("words", "says"), WORDS.values(), ids=WORDS)
def test_a_fault_is_named_and_nothing_written(terminal: Terminal, words: list[str], says: str) -> None:
    before = terminal.counts()

    result = terminal.run(*words)

    assert result.exit_code == 2, result.output
    assert says in result.stderr
    assert "Traceback" not in result.stderr
    assert result.stdout == ""
    assert terminal.counts() == before


@pytest.mark.parametrize(("content", "says"), FILES.values(), ids=FILES)
def test_a_faulty_file_is_named_and_nothing_written(terminal: Terminal, content: bytes, says: str) -> None:
    path = terminal.folder / "patients.csv"
    path.write_bytes(content)
    before = terminal.counts()

    result = terminal.run(*FROM_FILE, path)

    assert result.exit_code == 2, result.output
    assert says in result.stdout + result.stderr
    assert terminal.counts() == before


def test_every_problem_of_a_patient_is_told_at_once(terminal: Terminal) -> None:
    result = terminal.run(*enrollment(first_name=None, phone="12", end="soon", zone="Mars", consent=None))

    for part in ("first name", "'12'", "'soon'", "'Mars'", "consent"):
        assert part in result.stderr


def test_a_file_that_is_not_there(terminal: Terminal) -> None:
    result = terminal.run(*FROM_FILE, terminal.folder / "none.csv")

    assert (result.exit_code, "No such file" in result.stderr) == (2, True)


def test_a_folder_for_a_file(terminal: Terminal) -> None:
    assert terminal.run(*FROM_FILE, terminal.folder).exit_code == 2


def test_an_unapproved_plan_enrolls_nobody(terminal: Terminal) -> None:
    own = terminal.folder / "plans"
    shutil.copytree(PLANS, own)
    (own / LEAD / "en" / "soak.sms.j2").write_text("Other words.\n", "utf-8")
    config = terminal.folder / "config.toml"
    config.write_text('templates = "plans"\n' + config.read_text("utf-8"), "utf-8")
    before = terminal.counts()

    single, listed = terminal.run(*enrollment()), terminal.folder / "patients.csv"
    listed.write_text(GOOD, "utf-8")
    many = terminal.run(*FROM_FILE, listed)

    assert (single.exit_code, many.exit_code) == (2, 2)
    assert "no clinician approved" in single.stderr
    assert "no clinician approved" in many.stderr
    assert terminal.counts() == before


@pytest.mark.parametrize(
    ("text", "says"),
    [
        pytest.param("[practice\n", "not valid TOML", id="broken"),
        pytest.param("[practice]\nname = 'x'\nzone = 'Mars'\nphone = '1'\n", "is not a time zone", id="zone"),
        pytest.param(
            "colour = 'red'\n[practice]\nname='x'\nzone='UTC'\nphone='1'\n", "colour: this key is not", id="key"
        ),
        pytest.param("database = 'mysql://x'\n[practice]\nname='x'\nzone='UTC'\nphone='1'\n", "database:", id="url"),
        pytest.param("", "practice: Field required", id="empty"),
    ],
)
def test_a_faulty_configuration_is_named_by_its_key(terminal: Terminal, text: str, says: str) -> None:
    (terminal.folder / "config.toml").write_text(text, "utf-8")

    result = terminal.run("patients")

    assert result.exit_code == 2
    assert says in result.stderr
    assert "Traceback" not in result.stderr


def test_a_missing_database_says_how_to_make_it(terminal: Terminal) -> None:
    (terminal.folder / "reminders.sqlite3").unlink()

    result = terminal.run("patients")

    assert (result.exit_code, "run `reminders init`" in result.stderr) == (2, True)


def test_a_database_that_is_none_is_named(terminal: Terminal) -> None:
    for path in terminal.folder.glob("reminders.sqlite3*"):
        path.unlink()
    none = terminal.folder / "reminders.sqlite3"
    none.touch(0o600)
    none.write_text("no database " * 100, "utf-8")

    result = terminal.run("patients")

    assert result.exit_code == 2
    assert "not a database" in result.stderr
    assert "Traceback" not in result.stderr


def test_another_practice_in_the_configuration_is_named(terminal: Terminal) -> None:
    config = terminal.folder / "config.toml"
    config.write_text(config.read_text("utf-8").replace("[practice]\n", '[practice]\nid = "other"\n'), "utf-8")

    result = terminal.run("patients")

    assert (result.exit_code, "no practice 'other'" in result.stderr) == (2, True)
