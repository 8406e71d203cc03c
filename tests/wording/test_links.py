"""Tokens in the addresses of messages: made here, for one purpose, and by nobody else."""

from __future__ import annotations

import re

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
