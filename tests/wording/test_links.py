"""Tokens in the addresses of messages: made here, for one purpose, and by nobody else."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reminders.wording import links

KEY = bytes(range(32))
NUMBERS = st.integers(min_value=0, max_value=2**63 - 1)


@given(NUMBERS)
def test_a_token_names_its_message(number: int) -> None:
    url = links.unsubscribe_url("https://desk.example.org", KEY, number)
    assert url is not None
    assert links.unsubscribed_message(KEY, url.rpartition("/")[2]) == number


# RFC 3986 section 2.3: unreserved characters need no escaping anywhere in an address.
@given(NUMBERS)
def test_a_token_stands_in_an_address_as_it_is(number: int) -> None:
    assert re.fullmatch(r"[A-Za-z0-9\-._~]+", links.token(KEY, "unsubscribe", number))


@given(NUMBERS, st.data())
def test_a_token_changed_anywhere_is_none(number: int, data: st.DataObject) -> None:
    made = links.token(KEY, "unsubscribe", number)
    at = data.draw(st.integers(0, len(made) - 1))
    other = data.draw(st.characters(codec="utf-8").filter(lambda each: each != made[at]))
    assert links.unsubscribed_message(KEY, made[:at] + other + made[at + 1 :]) is None


@given(st.text())
def test_whatever_comes_instead_of_a_token_is_none(text: str) -> None:
    assert links.unsubscribed_message(KEY, text) is None


def test_a_token_of_another_key_or_purpose_is_none() -> None:
    assert links.unsubscribed_message(KEY, links.token(KEY[::-1], "unsubscribe", 7)) is None
    assert links.unsubscribed_message(KEY, links.token(KEY, "page", 7)) is None


@pytest.mark.parametrize("text", ["07", "+7", " 7", "7_0", "٧"], ids=["zero", "sign", "space", "underscore", "arabic"])
def test_a_number_is_written_in_one_way_only(text: str) -> None:
    mac = links.token(KEY, "unsubscribe", 7).partition("-")[2]
    assert links.unsubscribed_message(KEY, f"{text}-{mac}") is None


@pytest.mark.parametrize("base", ["", "http://desk.example.org", "http://127.0.0.1:8420"])
def test_without_https_there_is_no_address_to_post_to(base: str) -> None:
    assert links.unsubscribe_url(base, KEY, 7) is None


LINK = (12, 1)
"""The enrollment and the issue of a page's link."""
UNTIL = datetime(2026, 6, 10, 12, tzinfo=UTC)
ELSEWHERE = [(bytes(32), 12, 1), (KEY, 13, 1), (KEY, 12, 2)]
"""Another practice's key, another patient's page, a link issued later."""


def test_a_pages_address_says_nothing_but_a_number() -> None:
    url = links.page_url("https://desk.example.org/", KEY, *LINK)
    assert re.fullmatch(r"https://desk\.example\.org/my/12-[A-Za-z0-9_-]{22}/", url)


@pytest.mark.parametrize(("key", "enrollment_id", "issue"), ELSEWHERE, ids=["key", "patient", "issue"])
def test_a_page_is_opened_by_its_own_link_code_and_cookie_alone(key: bytes, enrollment_id: int, issue: int) -> None:
    def token_of(*link: Any) -> str:
        return links.page_url("https://desk.example.org", *link).rsplit("/", 2)[1]

    other = (key, enrollment_id, issue)
    assert links.is_page(KEY, token_of(KEY, *LINK), *LINK)
    assert not links.is_page(KEY, token_of(*other), *LINK)
    assert links.page_code(*other) != links.page_code(KEY, *LINK)
    assert links.page_form(*other) != links.page_form(KEY, *LINK)
    assert links.page_open_until(KEY, links.opened_page(*other, until=UNTIL), *LINK) is None


def test_what_keeps_a_page_open_ends_when_it_says() -> None:
    kept = links.opened_page(KEY, *LINK, until=UNTIL)
    assert links.page_open_until(KEY, kept, *LINK) == UNTIL
    seconds = kept.partition(".")[0]
    assert links.page_open_until(KEY, kept.replace(seconds, str(int(seconds) + 1)), *LINK) is None


@given(st.text())
def test_no_other_text_opens_a_page(text: str) -> None:
    assert not links.is_page(KEY, text, *LINK)
    assert links.page_open_until(KEY, text, *LINK) is None


@given(NUMBERS, NUMBERS)
def test_a_code_is_six_digits(enrollment_id: int, issue: int) -> None:
    assert re.fullmatch(r"[0-9]{6}", links.page_code(KEY, enrollment_id, issue))
