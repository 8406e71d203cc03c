"""Names, numbers and addresses as a front desk types them, turned into values that can't be wrong."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import phonenumbers
from phonenumbers import PhoneNumber as ParsedNumber
from phonenumbers import timezone

from reminders.errors import InputError
from reminders.words import gettext

LONGEST_NAME = 80
LONGEST_ADDRESS = 254  # RFC 5321 section 4.5.3.1.3, less the brackets
_ADDRESS = re.compile(r"[a-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@([a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?\.)+[a-z]{2,63}")


@dataclass(frozen=True, kw_only=True)
class PhoneNumber:
    """A telephone number that exists by its country's numbering plan."""

    e164: str
    warnings: tuple[str, ...]
    """What staff should look at again: a landline, a region that does not fit the zone."""


def parse_phone(text: str, *, region: str, zone: ZoneInfo, at: datetime) -> PhoneNumber:
    """Read a number typed in any usual format; without a country code it is taken as one of `region`.

    Raises InputError. The zone and the instant are for the warning only.
    """
    shown = _shown(text)
    try:
        number = phonenumbers.parse(text, region)
    except phonenumbers.NumberParseException:
        raise InputError(
            gettext("{shown!r} is not a telephone number; type it like +1 212 555 0123", shown=shown)
        ) from None
    kind = phonenumbers.number_type(number)
    if kind == phonenumbers.PhoneNumberType.UNKNOWN:
        raise InputError(
            gettext(
                "{shown!r} is not a number in use in {country}; check its digits",
                shown=shown,
                country=_country(number.country_code),
            )
        )
    e164 = phonenumbers.format_number(number, phonenumbers.PhoneNumberFormat.E164)
    warnings = []
    if kind == phonenumbers.PhoneNumberType.FIXED_LINE:
        warnings.append(
            gettext("this is a landline number, which may not receive SMS; ask for a mobile number or use e-mail")
        )
    if number.extension:
        raise InputError(
            gettext("{shown!r} has an extension, which can't receive SMS; ask for a direct number", shown=shown)
        )
    if away := _zones_that_disagree(number, zone, at):
        warnings.append(
            gettext(
                "the number belongs to {away}, but the patient's zone is {zone}; ask where they live now",
                away=away,
                zone=zone.key,
            )
        )
    return PhoneNumber(e164=e164, warnings=tuple(warnings))


def _country(code: int | None) -> str:
    region = phonenumbers.region_code_for_country_code(code or 0)
    return gettext("the US and Canada") if code == 1 else region


def _zones_that_disagree(number: ParsedNumber, zone: ZoneInfo, at: datetime) -> str | None:
    """Return the number's zones when none of them has the patient's time now; None when they fit or aren't known."""
    names = [name for name in timezone.time_zones_for_number(number) if name != timezone.UNKNOWN_TIMEZONE]
    offset = at.astimezone(zone).utcoffset()
    known = []
    for name in names:
        try:
            known.append(ZoneInfo(name))
        except (KeyError, ValueError):
            continue
    if not known or any(at.astimezone(each).utcoffset() == offset for each in known):
        return None
    return known[0].key if len(known) == 1 else gettext("{zone} and others", zone=known[0].key)


def parse_email(text: str) -> str:
    """Read an e-mail address, in lower case; raises InputError.

    Mail programs spell one mailbox in several ways, and whoever writes STOP has to be recognised in each; hosts that
    tell upper from lower case (RFC 5321 section 2.4 allows it) are not met in practice.
    """
    address = text.strip().lower()
    if len(address) > LONGEST_ADDRESS or not _ADDRESS.fullmatch(address) or ".." in address:
        raise InputError(
            gettext("{shown!r} is not an e-mail address; type it like pat@example.org", shown=_shown(text))
        )
    return address


def parse_name(text: str, *, what: str) -> str:
    """Read a person's name: any script, no control characters, white space folded, NFC; raises InputError."""
    name = " ".join(unicodedata.normalize("NFC", text).split())
    if len(name) > LONGEST_NAME:
        raise InputError(
            gettext(
                "the {what} has {number} characters; at most {most} are kept",
                what=gettext(what),
                number=len(name),
                most=LONGEST_NAME,
            )
        )
    if any(_is_hidden(character) for character in name):
        raise InputError(gettext("the {what} has a character that can't be shown; type it again", what=gettext(what)))
    return name


def _is_hidden(character: str) -> bool:
    # the joiners U+200C and U+200D are part of names in several scripts; other format characters reorder text
    return character not in "\u200c\u200d" and unicodedata.category(character) in {"Cc", "Cf", "Cs", "Co", "Cn"}


def _shown(text: str) -> str:
    """Return what was typed, cut to a length fit for an error shown to the person who typed it."""
    return text if len(text) <= 40 else text[:37] + "..."
