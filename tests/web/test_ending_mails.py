"""The link in every e-mail that ends them: one click of a mail program, or a page that asks first (RFC 8058)."""

from __future__ import annotations

import httpx
import pytest

from reminders.wording.links import UNSUBSCRIBE_PATH, unsubscribe_url
from tests.desk.office import Office
from tests.web.server import Server

ADDRESS = "robin@example.org"
BASE = "https://desk.example.org"


@pytest.fixture
def patient_id(office: Office) -> int:
    """An invented patient who is written to by e-mail."""
    return office.enroll(email=ADDRESS, channel="email").patient_id


@pytest.fixture
def path(office: Office, patient_id: int) -> str:
    """The path of the link that one of the patient's e-mails holds."""
    message = office.messages()[0]
    assert message.patient_id == patient_id
    url = unsubscribe_url(BASE, office.app.link_key, message.id or 0)
    assert url is not None
    return url.removeprefix(BASE)


def test_one_click_ends_the_mails(server: Server, office: Office, patient_id: int, path: str) -> None:
    """RFC 8058 section 3.2: a POST with this body, without cookies, from nowhere in particular; no redirect."""
    answer = httpx.post(
        server.base + path, data={"List-Unsubscribe": "One-Click"}, headers={"Sec-Fetch-Site": "cross-site"}
    )
    assert answer.status_code == 200
    assert office.contacts(patient_id)[ADDRESS] == "stopped"


def test_looking_at_the_link_ends_nothing(server: Server, office: Office, patient_id: int, path: str) -> None:
    answer = httpx.get(server.base + path)
    assert answer.status_code == 200
    assert '<form method="post">' in answer.text
    assert office.contacts(patient_id)[ADDRESS] == "active"


def test_the_button_may_be_pressed_twice(server: Server, office: Office, patient_id: int, path: str) -> None:
    assert [httpx.post(server.base + path).status_code for _ in range(2)] == [200, 200]
    assert office.contacts(patient_id)[ADDRESS] == "stopped"


@pytest.mark.parametrize("method", ["GET", "POST"])
@pytest.mark.parametrize("token", ["1-AAAAAAAAAAAAAAAAAAAAAA", "0", "-", "1" * 400, "%00"])
def test_a_link_that_was_not_made_here_ends_nothing(
    server: Server, office: Office, patient_id: int, method: str, token: str
) -> None:
    answer = httpx.request(method, server.base + UNSUBSCRIBE_PATH + token)
    assert answer.status_code == 404
    assert office.contacts(patient_id)[ADDRESS] == "active"


def test_the_page_names_no_patient(server: Server, path: str) -> None:
    for answer in (httpx.get(server.base + path), httpx.post(server.base + path)):
        assert ADDRESS not in answer.text
        assert "Robin" not in answer.text


def test_the_page_speaks_the_language_of_the_mail(server: Server, office: Office) -> None:
    office.enroll(first_name="Ana", email="ana@example.org", channel="email", language="es", phone="312-555-0155")
    message = next(each for each in office.messages() if each.address == "ana@example.org")
    url = unsubscribe_url(BASE, office.app.link_key, message.id or 0)
    assert url is not None
    path = url.removeprefix(BASE)
    assert "¿Terminar nuestros correos?" in httpx.get(server.base + path).text
    ended = httpx.post(server.base + path)
    assert '<html lang="es"' in ended.text
    assert "Sus correos han terminado" in ended.text


def test_a_link_of_nobody_speaks_the_browsers_language(server: Server, office: Office) -> None:
    for header, language in (
        ("ar, en;q=0.5", "ar"),
        ("tlh", "en"),
        ("", "en"),
        ("zh-Hans-CN", "zh-Hans"),
        (",;,=", "en"),
    ):
        answer = httpx.get(f"{server.base}{UNSUBSCRIBE_PATH}1-AAAA", headers={"Accept-Language": header})
        assert f'<html lang="{language}"' in answer.text
