"""Every page that only comes after a form in a real browser: it holds WCAG 2.2 AA, fits, and says what came of it.

One day in one practice, from left to right and from right to left. A form is sent with what it lacks left out, as a
browser that checks nothing by itself sends it.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

import pytest
from fastapi.routing import APIRoute
from playwright.sync_api import Browser, Page, expect

from reminders import words
from reminders.desk import staff
from reminders.desk.concerns import take_concern
from reminders.desk.one_time_codes import new_secret
from reminders.desk.roles import Role
from reminders.desk.staff import Newcomer
from reminders.desk.waiting import take_in
from reminders.records import staff as rows
from reminders.web.staff import ROUTERS
from reminders.wording.links import UNSUBSCRIBE_PATH, unsubscribe_url
from tests.desk.office import Office, open_office
from tests.exchange.test_hl7_reading import A04
from tests.web.browser import COLOURS, DESKTOP, RULES, TELEPHONE, Look, faults, page_of
from tests.web.patients import ADDRESS
from tests.web.people import PASSWORD, employ
from tests.web.server import Server

pytestmark = pytest.mark.usefixtures("english_again")
SMALL = "punch-biopsy"
ADA = 1
BASE = "https://desk.example.org"
COURSE, CONCERNS, SETTINGS, PLAN = "courses/1", "concerns", "settings", f"plans/{SMALL}"
FACTS = {"looked": "1", "end": "2026-06-10 10:30", "zone": "America/Chicago", "language": "en", "channel": "sms"}
LOOKS: Mapping[str, Sequence[Look]] = {"en": ((DESKTOP, "dark", COLOURS),), "ar": ((TELEPHONE, "light", RULES),)}
"""Less than a page gets that is opened by its address: what these add to such pages has the same styles."""
SECRET = new_secret()
WAS = {f"was.{name}": value for name, value in FACTS.items() if name != "looked"}
TYPED = {"procedure": SMALL, "first_name": "Kim", "phone": "312-555-0155", "language": "en"}
PRACTICE = {"name": "Example Foot Care", "phone": "312-555-0100", "emergency_number": "911", "visit_minutes": "30"}


@dataclass(frozen=True)
class Sent:
    """A form, and what the page after it has to say."""

    path: str
    """Below `/staff/`."""
    fields: Mapping[str, str] = field(default_factory=dict)
    refused: bool = False
    at: str = ""
    """The field that is refused; empty when it is none of the form's, or the page does not refuse."""
    told: bool = False
    """Whether the page says that something was done."""
    looked: bool = False
    """Whether axe-core looks at it: it shows something that no page of test_every_page.py shows, nor one before."""


DAY = (
    Sent("checkout/preview", TYPED),
    Sent("checkout/find", {"search": "robin"}),
    Sent("checkout/known/1"),
    Sent("checkout/waiting/1"),
    Sent("checkout", {"procedure": SMALL, "phone": "312", "visit": "soon"}, refused=True, at="phone", looked=True),
    Sent("checkout", {**TYPED, "factor": "none", "consent": "on"}, told=True, looked=True),
    Sent("checkout", {**TYPED, "factor": "none", "consent": "on"}, refused=True),
    Sent("checkout/3/take-back", told=True),
    Sent("waiting/1/dismiss", told=True),
    Sent("waiting/1/dismiss", refused=True),
    Sent("patients", {"search": "robin"}, told=True, looked=True),
    Sent(f"{COURSE}/change", {**FACTS, **WAS, "visit": "soon"}, refused=True, at="visit"),
    Sent(f"{COURSE}/change", {**FACTS, **WAS, "visit": "2026-06-24 10:00"}, told=True, looked=True),
    Sent(f"{COURSE}/pause", {"reason": "asked for it"}, told=True),
    Sent(f"{COURSE}/pause", refused=True),
    Sent(f"{COURSE}/consent/give", {"address": "312-555-0125"}, refused=True, at="agreed"),
    Sent(f"{COURSE}/consent/withdraw", {"channel": "email"}, refused=True, at="wording"),
    Sent(f"{COURSE}/page/renew", told=True),
    Sent(f"{COURSE}/end", looked=True),
    Sent(f"{CONCERNS}/1/take"),
    Sent(f"{CONCERNS}/1/note", refused=True, at="note"),
    Sent(f"{CONCERNS}/1/close", refused=True, at="outcome", looked=True),
    Sent(f"{CONCERNS}/1/hand-over", {"to": "Nobody"}, refused=True, at="to"),
    Sent(f"{CONCERNS}/1/close", {"outcome": "reached"}),
    Sent(f"{CONCERNS}/1/reopen", refused=True, at="note"),
    Sent(f"{CONCERNS}/2/take", refused=True),
    Sent(f"{PLAN}/approve", refused=True, at="read"),
    Sent(f"{SETTINGS}/test", {"address": "call me"}, refused=True, at="address"),
    Sent(f"{SETTINGS}/people", {"name": "Cleo", "login": "cleo", "roles": "clinician"}, refused=True, at="license"),
    Sent(f"{SETTINGS}/people", {"name": "Pat Person", "login": "pat", "roles": "nurse"}, told=True),
    Sent(f"{SETTINGS}/people/1/let-go", refused=True),
    Sent(f"{SETTINGS}/people/2/roles", {"roles": "clinician", "license": ""}, refused=True),
    Sent(f"{SETTINGS}/programs", {"expires": "2027-01-31T08:30", "scopes": "enroll"}, refused=True, at="name"),
    Sent(f"{SETTINGS}/programs", {"name": "Door", "scopes": "enroll"}, told=True, looked=True),
    Sent(f"{SETTINGS}/practice/change", {**PRACTICE, "name": ""}, refused=True, at="name"),
    Sent(f"{SETTINGS}/practice/change", {**PRACTICE, "phone": "312-555-0177"}, told=True),
    Sent(f"{SETTINGS}/changes/1/put-back", told=True),
    Sent("account/password", {"old": "wrong", "new": PASSWORD}, refused=True, at="old"),
    Sent("account/factor"),
    Sent("account/factor", {"secret": SECRET, "code": "0"}, refused=True, at="code", looked=True),
)
AFTER_A_REST = (
    Sent(f"{CONCERNS}/2/note", {"note": "Half a note"}, looked=True),
    Sent("sign-in", {"login": "ada", "password": "wrong"}, refused=True, at="password", looked=True),
    Sent("sign-in", {"login": "ada", "password": PASSWORD}, looked=True),
    Sent("forget"),
)
"""What was typed while the sign-in ran out is kept until its owner signed in."""
NO_PAGE = {
    "checkout/choose": "the form of test_every_page.py, for another procedure",
    "courses/{enrollment_id}/resume": "leads to the page that says so, as a pause does",
    "courses/{enrollment_id}/messages/{message_id}/again": "as a pause does",
    "plans/{procedure}/check": "leads to the page that is looked at in test_every_page.py",
    "account/factor/remove": "refused as a wrong password is, and leads to the person's own page",
    "settings/people/{staff_id}/link": "shows a link as an invitation does",
    "settings/programs/revoke": "leads to the page of test_every_page.py",
    "settings/{section}/to-file": "leads to the page that putting back leads to",
    "sign-out": "leads to the page of test_every_page.py",
}
"""Where a form is sent whose page needs no look here, and why."""


@pytest.fixture(params=["en", "ar"])
def spoken(request: pytest.FixtureRequest) -> str:
    """The language of the pages, one of each direction."""
    words.speak(request.param)
    return str(request.param)


@pytest.fixture
def office(tmp_path: Path, empty_database: Path) -> Iterator[Office]:
    """A practice where Ada does everything, and whose two patients wrote; Nora has what the second wrote."""
    database = Path(shutil.copy(empty_database, tmp_path / "reminders.sqlite3"))
    office = open_office(tmp_path, database, "2026-06-10T10:30", web={"address": ADDRESS})
    assert employ(office, *Role, name="Ada Admin", login="ada") == ADA
    employ(office, Role.NURSE)
    office.enroll(procedure=SMALL)
    office.enroll(procedure=SMALL, first_name="Amal", phone="312-555-0144", email="amal@example.org", channel="email")
    office.dispatcher.run_once()
    office.reply("it is red and hot up to my ankle")
    office.reply("أشعر بألم شديد", sender="+13125550144")
    with office.database.writing() as session:
        take_in(session, office.desk, A04.encode())
        take_concern(session, office.desk, 2, by="Nora Nurse")
    yield office
    office.dispatcher.close()
    office.database.close()


def test_no_form_of_staff_is_left_out() -> None:
    routes = [route for router in ROUTERS for route in router.routes if isinstance(route, APIRoute)]
    tried = [f"/staff/{each.path}" for each in (*DAY, *AFTER_A_REST, Sent("welcome/token"))]
    taken = [route for route in routes if "POST" in (route.methods or ())]
    left = [route.path for route in taken if not any(route.path_regex.match(path) for path in tried)]
    assert {path.removeprefix("/staff/") for path in left} == set(NO_PAGE)


def test_every_page_after_a_form_holds_wcag_and_fits(
    browser: Browser, server: Server, office: Office, spoken: str
) -> None:
    found: list[str] = []
    with page_of(browser, server, office, Role.NURSE, staff_id=ADA) as page:
        page.goto("/staff/account")
        for each in DAY:
            found += _sent(page, each, spoken)
        office.clock.advance(timedelta(minutes=20))
        for each in AFTER_A_REST:
            found += _sent(page, each, spoken)
    assert found == []


@pytest.mark.parametrize("spoken", ["ar"], indirect=True)
def test_every_page_after_a_form_of_anybody_holds_wcag_and_fits(
    browser: Browser, server: Server, office: Office, spoken: str
) -> None:
    with office.database.writing() as session:
        _, welcome = staff.invite(session, office.desk, Newcomer(login="new", name="Ned New", roles=("nurse",)))
        rows.set_member(session, ADA, totp_secret=SECRET)
    mail = next(each.id for each in office.messages(2) if each.channel == "email" and each.id)
    mails = (unsubscribe_url(BASE, office.app.link_key, mail) or "").removeprefix(BASE)
    with page_of(browser, server, office) as page:
        page.goto(f"/staff/welcome/{welcome}")
        short = Sent(f"welcome/{welcome}", {"password": "short"}, refused=True, at="password", looked=True)
        mine = {"login": "ada", "password": PASSWORD}
        found = _sent(page, short, spoken) + _sent(page, Sent("sign-in", mine, refused=True, at="code"), "en")
        while server.pages.state.site.sign_ins.allows("127.0.0.1", office.clock.now()):
            pass
        found += _sent(page, Sent("sign-in", mine, refused=True), "en")
        for path in (f"{UNSUBSCRIBE_PATH}1-AAAA", mails):
            page.goto(path)
            found += faults(page, path, LOOKS[spoken])
        page.locator("form button").click()
        expect(page.locator("form")).to_have_count(0)
        found += faults(page, "after the mails were ended", LOOKS[spoken])
    assert found == []


def _sent(page: Page, sent: Sent, spoken: str) -> list[str]:
    """Send a form; the page after it is looked at in full when it shows something new, else read as it came."""
    found: list[str]
    name = f"{sent.path} {dict(sent.fields)}"
    if sent.looked:
        with page.expect_navigation() as navigation:
            page.evaluate(_SEND, [f"/staff/{sent.path}", list(sent.fields.items())])
        status = navigation.value.status
        found = page.evaluate(_SAYS, ["", sent.refused, sent.at, sent.told, list(sent.fields.items())])
        expect(page.locator("html")).to_have_attribute("lang", spoken)
        found += faults(page, name, LOOKS[spoken])
    elif sent.refused and spoken != "en":
        return []  # it changes nothing, and says the same in every language
    else:
        token = page.locator("input[name=csrf]").first.input_value()
        answer = page.request.post(f"/staff/{sent.path}", form={"csrf": token, **sent.fields})
        status = answer.status
        found = page.evaluate(_SAYS, [answer.text(), sent.refused, sent.at, sent.told, list(sent.fields.items())])
    if (status >= 400) is not sent.refused:
        found.append(f"answered {status}")
    return [f"{name}: {each}" for each in found]


_SEND = """([path, fields]) => {
  const form = Object.assign(document.createElement("form"), {method: "post", action: path});
  for (const [name, value] of [["csrf", document.querySelector("input[name=csrf]").value], ...fields]) {
    form.append(Object.assign(document.createElement("input"), {name, value, type: "hidden"}));
  }
  document.body.append(form);
  form.submit();
}"""
_SAYS = """([came, refused, at, told, typed]) => {
  const page = came ? new DOMParser().parseFromString(came, "text/html") : document;
  const all = (selector) => [...page.querySelectorAll(selector)];
  const found = [];
  if (all("h1").length !== 1) found.push(`${all("h1").length} headings of the first level`);
  if (!page.title.trim()) found.push("no title");
  const ids = all("[id]").map((each) => each.id);
  for (const id of ids.filter((each, index) => ids.indexOf(each) < index)) found.push(`two are called ${id}`);
  const named = (each) => (each.getAttribute("aria-describedby") || "").split(" ").filter(Boolean);
  const nowhere = all("[aria-describedby]").flatMap(named).filter((id) => !ids.includes(id));
  if (nowhere.length) found.push(`nothing is called ${nowhere}`);
  const alarms = all("[role=alert]").filter((each) => each.textContent.trim());
  if (alarms.length !== (refused ? 1 : 0)) found.push(`${alarms.length} alarms`);
  const first = came ? page.querySelector("[autofocus]") : page.activeElement;
  if (refused && first !== alarms[0]) found.push(`begins at ${first?.outerHTML.slice(0, 80)}`);
  const blamed = all("[aria-invalid=true]");
  if (blamed.some((each) => !named(each).some((id) => page.getElementById(id)?.textContent.trim()))) {
    found.push("blames without saying why");
  }
  const names = blamed.map((each) => each.name);
  if (at ? !names.includes(at) : names.length) found.push(`blames ${names}`);
  for (const [name, value] of refused ? typed : []) {
    const fields = all(`[name="${name}"]:not([type=hidden], [type=password], #code)`).filter((each) =>
      each.localName !== "select" || [...each.options].some((option) => option.value === value));
    const holds = (each) => each.value === value && (each.checked || !/radio|checkbox/.test(each.type));
    if (value && fields.length && !fields.some(holds)) found.push(`loses what was typed: ${name}`);
  }
  const says = all("main [role=status]").map((each) => each.textContent.trim()).join("");
  if (told && !says) found.push("says nowhere what was done");
  return found;
}"""
"""What is missing where a form was refused or something done (WCAG 2.2, 3.3.1 and 4.1.3), and in any page."""
