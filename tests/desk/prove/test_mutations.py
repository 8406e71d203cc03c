"""The proof catches hand-made faults in copies of the lead plan, each with its rule, its file and what it is about.

Faults that can't hide each other share a copy: they break other rules, or are in different texts.
A copy takes seconds to prove, so a fault that any text may have stands in one that has few others.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import cache
from pathlib import Path

import pytest

from reminders.desk.composing import House
from reminders.desk.prove.findings import Finding, Severity
from reminders.desk.prove.run import Bound, prove
from reminders.desk.prove.strands import Effort
from reminders.wording.render import Sender
from tests.build import LEAD, PLANS, rules_of

HOUSE = House(
    sender=Sender(
        practice_name="Example Practice",
        practice_phone="212-555-0100",
        after_hours_phone="",
        emergency_number="911",
    ),
    rules=rules_of(),
    segment_limit=3,
)


@dataclass(frozen=True, kw_only=True)
class Mutation:
    """One change, and the rule that must see it, in the changed file."""

    key: str
    """The instruction, of a change of the plan; else the text."""
    old: str
    new: str
    rule: str
    file: str = ""
    """Of a text: language and file name."""
    about: str = ""
    """What the finding is about, if not `key`."""
    seen_in: str = ""
    """The file of the finding, if not the changed one: language and file name of a text."""


def plan(key: str, old: str, new: str, rule: str, **expected: str) -> Mutation:
    return Mutation(key=key, old=old, new=new, rule=rule, **expected)


def text(file: str, old: str, new: str, rule: str) -> Mutation:
    return Mutation(key=file.partition("/")[2].partition(".")[0], file=file, old=old, new=new, rule=rule)


MUTATIONS = {
    "ointment stops on day 3 while soaks go on to day 5": plan(
        "ointment_stop", 'on_day = "stop_day"', "on_day = 3", "contradiction"
    ),
    "soaks go on two days longer": plan(
        "soak", 'until_day = "stop_day"', "until_day = 7", "contradiction", about="ointment_stop"
    ),
    "told until day 7 while it stops on day 5": text(
        "en/soak.sms.j2", "Pat dry.", "Do it until day 7. Pat dry.", "told_until"
    ),
    "told for seven days": text("en/soak.sms.j2", "Pat dry.", "Do it for seven days. Pat dry.", "told_until"),
    "ibuprofen named to all": text(
        "en/rest_first_evening.sms.j2", "keep it dry.", "keep it dry. Take ibuprofen.", "barred_medicine"
    ),
    "ibuprofen in the text for blood thinners": text(
        "en/checkin_bleeding.sms.j2", "Reply YES or NO.", "Reply YES or NO. For pain take ibuprofen.", "barred_medicine"
    ),
    "ibuprofen for those who must not": plan(
        "pain_relief", 'use = "pain_relief_acetaminophen"', 'use = "pain_relief_ibuprofen"', "barred_medicine",
        seen_in="en/pain_relief_ibuprofen.sms.j2",
    ),
    "eight tablets at once": text("en/pain_relief.sms.j2", "1-2 tablets", "1-8 tablets", "dose"),
    "eight tablets a day": text("en/pain_relief.sms.j2", "At most 6 in 24", "At most 8 in 24", "dose"),
    "acetaminophen above the label": text(
        "en/pain_relief_acetaminophen.sms.j2", '{% include "acetaminophen_limit.j2" %}', "4,500 mg", "dose"
    ),
    "acetaminophen above the label in an e-mail": Mutation(
        key="pain_relief_acetaminophen", file="en/take_acetaminophen.j2", rule="dose",
        old='{% include "acetaminophen_limit.j2" %}', new="4,500 mg",
    ),
    "tablets too soon again": text("en/pain_relief_ibuprofen.sms.j2", "every 4-6 hours", "every 2 hours", "dose"),
    "no daily limit": text("en/pain_relief_ibuprofen.sms.j2", " At most 6 in 24 hours.", "", "dose"),
    "pain relief when the block is gone": plan(
        "pain_relief", 'minutes = "lead_minutes"', "minutes = 0", "after_wear_off"
    ),
    "pain relief half an hour after": plan(
        "pain_relief",
        'before = "block_wears_off", minutes = "lead_minutes"',
        'after = "block_wears_off", minutes = 30',
        "useful_until",
    ),
    "pain relief useful for hours": plan(
        "pain_relief", 'useful_until = "block_wears_off"', "useful_hours = 6", "useful_until"
    ),
    "a dose sent twice in doubt": plan("pain_relief", 'in_doubt = "hold"', 'in_doubt = "resend"', "in_doubt"),
    "wakes for a soak": plan("soak", 'quiet = "later"', 'quiet = "send"', "quiet_hours"),
    "dressing told two days late": plan("dressing_off", "useful_hours = 14", "useful_hours = 60", "useful_until"),
    "a soak told when the next is due": plan("soak", "useful_hours = 3", "useful_hours = 14", "useful_until"),
    "no way to stop": text("en/confirmation.sms.j2", " or STOP to stop", "", "way_to_stop"),
    "no number to call": text(
        "en/warning_signs.sms.j2", "Us: {{ practice_phone }}", "Us: the front desk", "whom_to_call"
    ),
    "no emergency number": text("en/confirmation.sms.j2", "call {{ emergency_number }}", "go", "whom_to_call"),
    "nothing about emergencies": text("es/confirmation.sms.j2", "No es para emergencias: ", "", "not_for_emergencies"),
    "a diagnosis": text("en/closing.sms.j2", "Call today", "It is infected. Call today", "private_word"),
    "a body site": text("es/rest_first_evening.sms.j2", "la zona tratada", "la uña tratada", "private_word"),
    "a subject that tells": text("en/soak.email.j2", "Your next step", "Your toenail", "private_word"),
    "curly quotes": text("en/drainage_normal.sms.j2", "thick", "“thick”", "typographic"),
    "a variable that there is not": text("en/soak.sms.j2", "{{ soak_minutes }}", "{{ soak_minuets }}", "faulty_file"),
    "a variable with one brace": text("en/closing.sms.j2", "{{ practice_phone }}", "{ practice_phone }", "unrendered"),
    "another number in Spanish": text("es/drainage_normal.sms.j2", '"2 a 3 sem', '"2 a 6 sem', "translation_numbers"),
    "a fixed number of minutes in Spanish": text(
        "es/soak.sms.j2", "{{ soak_minutes }}", "20", "translation_numbers"
    ),
    "a telephone number typed in": text("en/visit.sms.j2", "{{ practice_phone }}", "646-555-0199", "personal_detail"),
    "hard to read": text(
        "en/rest_first_evening.sms.j2",
        "A little blood on the dressing is normal: put a second dressing on top.",
        "Subsequently eliminate residual moisture utilizing an absorbent disposable material.",
        "reading_grade",
    ),
    "hard to read in Spanish": text(
        "es/checkin_look.sms.j2",
        "¿Sigue sin rojez",
        "Posteriormente inspeccione detenidamente cualquier irregularidad superficial. ¿Sigue sin rojez",
        "reading_grade",
    ),
    "too long": text("en/visit.sms.j2", "To change it", "Bring your papers. " * 15 + "To change it", "segments"),
    "a child is told nothing of soaks": plan(
        "soak", "required = true", 'required = true\nnot_if_any = ["child"]', "required_gap"
    ),
    "only diabetics are told to take the dressing off": plan(
        "dressing_off", "required = true", 'required = true\nonly_if_any = ["diabetes"]', "required_gap"
    ),
    "a text for nobody": plan(
        "visit", 'if_all = ["visit_not_booked"]', 'if_all = ["visit_not_booked", "visit_booked"]', "never_said"
    ),
    "a visit told to who has none": plan(
        "visit", 'if_all = ["visit_not_booked"]', 'if_all = ["visit_booked"]', "unrendered", seen_in="en/visit.sms.j2"
    ),
    "an answer nobody expects": plan("checkin_yesno", 'asks = "yes_no"', 'about2 = ""', "faulty_file"),
    "no YES to answer with": text("en/checkin_look.sms.j2", "Reply YES or NO.", "Please tell us.", "question"),
    "pain without its scale": text("en/checkin_pain.sms.j2", "from 0 (none) to 10 (worst)", "", "question"),
    "a visit without its C": text("en/visit.sms.j2", "Reply C to confirm. ", "", "question"),
    "a missing text": text("es/closing.sms.j2", "", "", "faulty_file"),
}  # fmt: skip


def sheets() -> list[list[str]]:
    """Which faults are made together."""
    found: list[list[str]] = []
    for name, mutation in MUTATIONS.items():
        others = ([MUTATIONS[other] for other in sheet] for sheet in found)
        fits = (at for at, there in enumerate(others) if all(apart(mutation, other) for other in there))
        at = next(fits, len(found))
        found[at:] = [[*found[at], name], *found[at + 1 :]] if at < len(found) else [[name]]
    return found


def apart(one: Mutation, other: Mutation) -> bool:
    if "faulty_file" in {one.rule, other.rule}:
        return False  # a plan that can't be loaded is looked at no further
    if one.rule == other.rule:
        return bool(one.file and other.file and one.file != other.file)  # else one's finding may be the other's
    meddles = not (one.file or other.file) or one.about or other.about
    return not meddles or one.key != other.key


def place_of(mutation: Mutation, templates: Path) -> Path:
    """The file that holds what is to be changed: the plan's own, or a shared one."""
    if mutation.file:
        own = templates / LEAD / mutation.file
        return own if own.is_file() else templates / "shared" / mutation.file
    files = (templates / LEAD / "plan.toml", *sorted((templates / "shared" / "blocks").glob("*.toml")))
    return next(file for file in files if mutation.old in instruction_in(file, mutation.key))


def instruction_in(file: Path, key: str) -> str:
    after = file.read_text("utf-8").partition(f'key = "{key}"\n')[2]
    return after.partition("[[")[0] if "[[" in after else after


def change(mutation: Mutation, templates: Path) -> None:
    path = place_of(mutation, templates)
    if not mutation.old:
        path.unlink()
        return
    source = path.read_text("utf-8")
    part = source if mutation.file else instruction_in(path, mutation.key)
    assert mutation.old in part, "the plan has changed: make this fault anew"
    path.write_text(source.replace(part, part.replace(mutation.old, mutation.new, 1), 1), "utf-8")


def copied(folder: Path) -> Path:
    for name in (LEAD, "shared"):
        shutil.copytree(PLANS / name, folder / name)
    return folder


def faults(templates: Path, house: House = HOUSE) -> list[Finding]:
    report = prove(LEAD, Bound(templates=templates, house=house), effort=Effort.QUICK, processes=1)
    assert report.holds is not any(each.severity is Severity.FAULT for each in report.findings)
    return [each for each in report.findings if each.severity is Severity.FAULT]


@pytest.fixture(scope="module")
def caught(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], tuple[Path, list[Finding]]]:
    """Makes the faults of a sheet, once, and gives the copy and what was found in it."""

    @cache
    def of_sheet(names: tuple[str, ...]) -> tuple[Path, list[Finding]]:
        templates = copied(tmp_path_factory.mktemp("mutated"))
        for name in names:
            change(MUTATIONS[name], templates)
        return templates, faults(templates)

    return lambda name: of_sheet(next(tuple(sheet) for sheet in sheets() if name in sheet))


def test_the_lead_plan_holds(tmp_path: Path) -> None:
    assert faults(copied(tmp_path)) == []


@pytest.mark.parametrize("name", MUTATIONS)
def test_a_fault_is_caught_where_it_was_made(name: str, caught: Callable[[str], tuple[Path, list[Finding]]]) -> None:
    mutation = MUTATIONS[name]
    templates, found = caught(name)
    made = replace(mutation, old=mutation.new, file=mutation.seen_in or mutation.file)
    wanted = place_of(made, templates) if mutation.old else templates / LEAD / mutation.file
    there = [each for each in found if (each.rule, each.file) == (mutation.rule, wanted)]
    about = "" if mutation.rule == "faulty_file" else mutation.about or mutation.key
    assert any(about in each.subject for each in there), [(each.rule, each.subject, each.message) for each in found]


def test_more_required_texts_than_a_day_may_have_are_caught(tmp_path: Path) -> None:
    """Warning signs three times a day, beside two soaks and a check-in: the finding is about what came on top."""
    templates = copied(tmp_path)
    three_times = '{ each_day = ["morning", "midday", "evening"], from_day = 1, until_day = 4 }'
    change(plan("warning_signs", '{ on_day = 3, at = "midday" }', three_times, "daily_limit"), templates)
    found = [each.message for each in faults(templates) if each.rule == "daily_limit"]
    assert found
    assert all(message.startswith("6 messages on ") and "at most 5 a day" in message for message in found)


def test_a_limit_below_what_is_required_is_caught(tmp_path: Path) -> None:
    house = House(sender=HOUSE.sender, rules=rules_of(daily_limit=2, join_within=timedelta(0)), segment_limit=3)
    assert "daily_limit" in {each.rule for each in faults(copied(tmp_path), house)}
