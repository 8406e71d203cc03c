"""One-time codes against the vectors of the standards."""

from __future__ import annotations

import base64
from datetime import UTC, datetime, timedelta

import pytest

from reminders.desk.one_time_codes import STEP_SECONDS, code_at, new_secret, set_up_uri, step_of

RFC_SECRET = b"12345678901234567890"
IN_BASE32 = base64.b32encode(RFC_SECRET).decode()


@pytest.mark.parametrize(
    ("count", "code"),
    [
        *((0, "755224"), (1, "287082"), (2, "359152"), (3, "969429"), (4, "338314")),
        *((5, "254676"), (6, "287922"), (7, "162583"), (8, "399871"), (9, "520489")),
    ],
)
def test_codes_are_those_of_rfc_4226_appendix_d(count: int, code: str) -> None:
    assert code_at(RFC_SECRET, count) == code


@pytest.mark.parametrize(
    ("seconds", "code"),
    [
        (59, "94287082"),
        (1111111109, "07081804"),
        (1111111111, "14050471"),
        (1234567890, "89005924"),
        (2000000000, "69279037"),
        (20000000000, "65353130"),
    ],
)
def test_codes_are_those_of_rfc_6238_appendix_b(seconds: int, code: str) -> None:
    assert code_at(RFC_SECRET, seconds // STEP_SECONDS, digits=8) == code


@pytest.mark.parametrize(("seconds_off", "step"), [(-60, None), (-30, 0), (0, 0), (29, 0), (59, 0), (60, None)])
def test_a_code_is_taken_in_its_step_and_the_ones_beside_it(seconds_off: int, step: int | None) -> None:
    """RFC 6238 section 5.2: one step aside for clocks that differ."""
    start = datetime(2026, 6, 10, 15, 30, tzinfo=UTC)
    first = int(start.timestamp()) // STEP_SECONDS
    found = step_of(IN_BASE32, code_at(RFC_SECRET, first), start + timedelta(seconds=seconds_off))
    assert found == (None if step is None else first)


@pytest.mark.parametrize("typed", ["", "12345", "abcdef", "００００００"])
def test_what_is_no_code_is_none(typed: str) -> None:
    assert step_of(IN_BASE32, typed, datetime(2026, 6, 10, tzinfo=UTC)) is None


def test_a_secret_has_the_160_bits_that_rfc_4226_recommends() -> None:
    assert len(base64.b32decode(new_secret())) == 20


def test_the_uri_holds_the_secret_and_names_the_practice() -> None:
    uri = set_up_uri("GEZDGNBV", login="ana", practice="Example Foot Care")
    assert uri == "otpauth://totp/Example%20Foot%20Care%3Aana?secret=GEZDGNBV&issuer=Example+Foot+Care"
