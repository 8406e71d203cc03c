"""Reads HL7 v2 messages that tell of a patient: ADT^A04 (registered) and SIU^S12 (an appointment was booked).

Segments and fields by HL7 v2.5.1, chapters 2 (MSH), 3 (PID), 6 (PR1) and 10 (SCH, AIS); values from memory.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import pairwise

import hl7
import hl7.containers
import hl7.util

from reminders.errors import InputError
from reminders.exchange.announced import Announced, Told, announced
from reminders.words import gettext

LARGEST_FILE = 5_000_000
MOST_MESSAGES = 5_000

for _module in (hl7.containers, hl7.util):
    # It logs what it can't decode, under its file's name: that would be names and numbers of patients.
    logging.getLogger(_module.__file__).setLevel(logging.CRITICAL + 1)
_FRAME = bytes.maketrans(b"\x0b\x1c", b"\r\r")  # what encloses a message on a line (MLLP)
_WANTED = frozenset({("ADT", "A04"), ("SIU", "S12")})
_CHARSETS = {"": "utf-8", "UNICODE UTF-8": "utf-8", "UNICODE": "utf-8", "ASCII": "ascii", "8859/1": "latin-1"}
_MOMENT = re.compile(r"(\d{4})(\d\d)(\d\d)(?:(\d\d)(\d\d)(?:\d\d(?:\.\d+)?)?)?([+-]\d{4})?")
_FAULTS = (hl7.HL7Exception, LookupError, ValueError, TypeError, AttributeError, AssertionError, OverflowError)
"""What the library raises for messages that are none."""
_MINUTES = {"": 1, "M": 1, "MIN": 1, "MINUTES": 1, "H": 60, "HR": 60, "HOURS": 60, "S": 1 / 60}


def read_hl7(content: bytes) -> Told:
    """Return the patients that a file's messages tell of; messages of other kinds are passed over.

    Faulty messages are named among the problems. Raises InputError for a file that is no HL7 v2 or tells of nobody.
    """
    if len(content) > LARGEST_FILE:
        raise InputError(gettext("the file has more than {number:,} bytes; split it", number=LARGEST_FILE))
    messages = list(_messages(content))
    if not messages:
        raise InputError(gettext("the file holds no HL7 message: none of its lines begins with MSH"))
    found: list[Announced] = []
    problems: list[str] = []
    for number, lines in enumerate(messages, start=1):
        try:
            if (one := _read(_decoded(lines))) is not None:
                found.append(one)
        except InputError as error:
            where = gettext("message {number}", number=number)
            problems += [f"{where}: {problem}" for problem in error.problems]
    if not found and not problems:
        raise InputError(gettext("the file tells of no patient: only ADT^A04 and SIU^S12 are read"))
    return Told(patients=tuple(found), problems=tuple(problems))


def _messages(content: bytes) -> Iterator[list[bytes]]:
    lines = [line.strip(b"\n") for line in content.translate(_FRAME).replace(b"\n", b"\r").split(b"\r") if line.strip()]
    if lines and lines[0].startswith(b"\xef\xbb\xbf"):
        lines[0] = lines[0][3:]
    starts = [place for place, line in enumerate(lines) if line.startswith(b"MSH")]
    if len(starts) > MOST_MESSAGES:
        raise InputError(gettext("the file holds more than {number:,} messages; split it", number=MOST_MESSAGES))
    for start, end in pairwise([*starts, len(lines)]):
        yield lines[start:end]


def _decoded(lines: list[bytes]) -> str:
    header = lines[0]
    fields = header.split(header[3:4]) if header[3:4] else []
    charset = fields[17].split(b"~")[0].decode("ascii", "replace").strip().upper() if len(fields) > 17 else ""
    # Batches end in segments of their own (BTS, FTS), which belong to no message.
    text = b"\r".join(line for line in lines if not line.startswith((b"BTS", b"FTS", b"BHS", b"FHS"))) + b"\r"
    encoding = _CHARSETS.get(charset)
    if encoding is None:
        raise InputError(gettext("the character set {name!r} is not known", name=charset[:40]))
    try:
        return text.decode(encoding)
    except UnicodeDecodeError:
        return text.decode("cp1252", "replace")


def _read(text: str) -> Announced | None:
    message = _Message(text)
    kind = (message.at("MSH", 9, 1), message.at("MSH", 9, 2))
    if kind not in _WANTED:
        return None
    control_id = message.at("MSH", 10)
    if not control_id:
        raise InputError(gettext("it has no control id (MSH-10), by which it would be recognised"))
    if not message.has("PID"):
        raise InputError(gettext("it has no patient (PID)"))
    phone, email = _addresses(message)
    end, what = _procedure(message)
    return announced(
        "/".join(("hl7", message.at("MSH", 3, 1), message.at("MSH", 4, 1), control_id)),
        last_name=message.at("PID", 5, 1),
        first_name=message.at("PID", 5, 2),
        phone=phone,
        email=email,
        language=message.at("PID", 15, 1),
        procedure=what,
        end=end,
    )


class _Message:
    """One message; what is not there is empty."""

    def __init__(self, text: str) -> None:
        try:
            self._parsed = hl7.parse(text)
        except _FAULTS:
            raise InputError(gettext("it is no HL7 v2 message")) from None

    def has(self, segment: str) -> bool:
        return any(str(each[0]) == segment for each in self._parsed)

    def at(self, segment: str, place: int, component: int = 1, *, repeated: int = 0) -> str:
        """Return a component of the first segment of that name, counted from 1, its escapes undone."""
        found = next((each for each in self._parsed if str(each[0]) == segment), None)
        try:
            repeat = found[place][repeated] if found is not None else ""
            # Without a separator in it the library gives the text itself.
            parts = [repeat] if isinstance(repeat, str) else repeat
            value = parts[component - 1]
            said = value if isinstance(value, str) else value[0]
            return str(self._parsed.unescape(str(said))).strip()
        except _FAULTS:
            return ""

    def repeats(self, segment: str, place: int) -> int:
        found = next((each for each in self._parsed if str(each[0]) == segment), None)
        try:
            return len(found[place]) if found is not None else 0
        except _FAULTS:
            return 0


def _addresses(message: _Message) -> tuple[str, str]:
    """Return a telephone number, a mobile one first, and an e-mail address (PID-13, PID-14 and PID-40: XTN)."""
    phones: list[tuple[bool, str]] = []
    email = ""
    for place in (13, 14, 40):
        for number in range(min(message.repeats("PID", place), 20)):

            def part(component: int, place: int = place, number: int = number) -> str:
                return message.at("PID", place, component, repeated=number)

            email = email or next((each for each in (part(4), part(1)) if "@" in each), "")
            country = f"+{part(5)}" if part(5) else ""
            found = part(12) or part(1) or country + part(6) + part(7)
            if "@" not in found and any(character.isdigit() for character in found):
                phones.append((part(3).upper() != "CP", found))
    return min(phones, default=(True, ""), key=lambda each: each[0])[1], email


def _procedure(message: _Message) -> tuple[str, str]:
    """Return when the procedure ends, as far as it is said, and what it is called."""
    if message.has("PR1"):
        starts, length = message.at("PR1", 5), _length(message.at("PR1", 7), "")
        return _moment(starts, length), message.at("PR1", 3, 2) or message.at("PR1", 4) or message.at("PR1", 3)
    if message.has("AIS"):
        starts = message.at("AIS", 4) or message.at("SCH", 11, 4)
        length = _length(message.at("AIS", 7), message.at("AIS", 8)) or _length(
            message.at("SCH", 9), message.at("SCH", 10)
        )
        return _moment(starts, length), message.at("AIS", 3, 2) or message.at("AIS", 3)
    if message.has("SCH"):
        length = _length(message.at("SCH", 9), message.at("SCH", 10))
        return _moment(message.at("SCH", 11, 4), length), message.at("SCH", 7, 2) or message.at("SCH", 7)
    return "", ""


def _length(amount: str, unit: str) -> timedelta:
    factor = _MINUTES.get(unit.upper())
    if factor is None or not re.fullmatch(r"\d{1,4}", amount):
        return timedelta(0)
    return timedelta(minutes=int(amount) * factor)


def _moment(text: str, later_by: timedelta) -> str:
    """Return a moment of HL7 (YYYYMMDD[HHMM[SS[.S]]][+ZZZZ]) in ISO 8601; "" when it is none, or only a day."""
    match = _MOMENT.fullmatch(text)
    if match is None or match[4] is None:
        return ""
    try:
        year, month, day, hour, minute = (int(match[place]) for place in range(1, 6))
        moment = datetime(year, month, day, hour, minute) + later_by  # noqa: DTZ001  a wall time, as it was sent
    except (ValueError, OverflowError):
        return ""
    offset = f"{match[6][:3]}:{match[6][3:]}" if match[6] else ""
    return moment.isoformat(timespec="minutes") + offset
