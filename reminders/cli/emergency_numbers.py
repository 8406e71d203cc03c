"""Knows which numbers call for help where a practice is, by the numbering plans that libphonenumber knows."""

from __future__ import annotations

from babel.core import get_global
from phonenumbers.shortnumberinfo import is_emergency_number


def country_of(zone: str, region: str) -> str:
    """Return the country of a time zone; `region` where the zone is nowhere, as UTC is."""
    territory: str = get_global("zone_territories").get(zone, "ZZ")
    return region if territory == "ZZ" else territory


def calls_for_help(number: str, country: str) -> bool:
    """Say whether a number is an emergency number of a country."""
    return bool(is_emergency_number(number, country))
