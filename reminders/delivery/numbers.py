"""Knows how a gateway's way of writing a telephone number becomes the one we keep."""

from __future__ import annotations

import re

import phonenumbers

_PUNCTUATION = re.compile(r"[\s().\-/]")


def to_e164(written: str, *, region: str) -> str:
    """Return a number in E.164; what is no number (a name, a short code) comes back as it is.

    Gateways leave the + away, or write 00, or the national form: a number that exists in `region` is taken as one
    of `region`, else the digits are read as an international number.
    """
    plain = _PUNCTUATION.sub("", written)
    if not re.fullmatch(r"\+?\d{7,17}", plain):
        return written.strip()
    if plain.startswith("00"):
        plain = "+" + plain[2:]
    international = plain if plain.startswith("+") else f"+{plain}"
    for form in (plain, international):
        if (number := _parsed(form, region)) is not None and phonenumbers.is_valid_number(number):
            return phonenumbers.format_number(number, phonenumbers.PhoneNumberFormat.E164)
    number = _parsed(international, region)
    if number is not None and phonenumbers.is_possible_number(number):
        return phonenumbers.format_number(number, phonenumbers.PhoneNumberFormat.E164)
    return written.strip()


def _parsed(form: str, region: str) -> phonenumbers.PhoneNumber | None:
    try:
        return phonenumbers.parse(form, region)
    except phonenumbers.NumberParseException:
        return None
