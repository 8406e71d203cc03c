"""What a telephone is given to dial: emergency numbers as they are, others so that they are reached from anywhere."""

from __future__ import annotations

import pytest

from reminders.web.pages import dial


# ITU-T E.161 and national numbering plans as `phonenumbers` has them; the emergency numbers from memory.
@pytest.mark.parametrize(
    ("said", "region", "dialled"),
    [
        ("911", "US", "911"),
        ("112", "DE", "112"),
        ("112", "FI", "112"),
        ("999", "GB", "999"),
        ("110", "JP", "110"),
        ("144", "CH", "144"),
        ("000", "AU", "000"),
        ("116 117", "DE", "116117"),
        ("312-555-0100", "US", "+13125550100"),
        ("(312) 555-0199", "US", "+13125550199"),
        ("+44 20 7946 0018", "US", "+442079460018"),
        ("020 7946 0018", "GB", "+442079460018"),
        ("555 0100", "US", "5550100"),
        ("ask at the desk", "US", ""),
    ],
)
def test_a_number_is_dialled_as_it_reaches_somebody(said: str, region: str, dialled: str) -> None:
    assert dial(said, region) == dialled
