"""Knows the kinds of values that calls send and are told: each with its form, length and unit."""

from __future__ import annotations

import re
from datetime import datetime
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, StrictBool, WithJsonSchema

_RFC3339 = re.compile(r"\d{4}-\d{2}-\d{2}[Tt]\d{2}:\d{2}:\d{2}(\.\d+)?([Zz]|[+-]\d{2}:\d{2})")


class Given(BaseModel):
    """What a call sends: a member that there is not is refused by its name."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Shown(BaseModel):
    """What a call is told; it may gain members, and none changes its name or meaning."""

    model_config = ConfigDict(extra="forbid", frozen=True, serialize_by_alias=True, validate_by_name=True)


def _moment(text: Any) -> datetime:
    if not isinstance(text, str) or not _RFC3339.fullmatch(text):
        raise ValueError("write a time as RFC 3339 has it, with an offset: 2026-03-07T15:30:00-06:00")
    try:
        return datetime.fromisoformat(text.upper())
    except ValueError:
        raise ValueError("there is no such day or hour") from None


def _plain(text: str) -> str:
    if any(_is_no_word(character) for character in text):
        raise ValueError("control characters and halves of characters are not taken")
    return text


def _is_no_word(character: str) -> bool:
    return (character < " " and character not in "\n\t") or character == "\x7f" or "\ud800" <= character <= "\udfff"


Moment = Annotated[datetime, BeforeValidator(_moment), WithJsonSchema({"type": "string", "format": "date-time"})]
"""An instant, as a call sends it."""
ShownMoment = Annotated[str, Field(json_schema_extra={"format": "date-time"})]
"""An instant, as a call is told: RFC 3339 with the patient's offset."""
Day = Annotated[str, Field(json_schema_extra={"format": "date"})]
Flag = StrictBool
Words = Annotated[str, AfterValidator(_plain), Field(max_length=4000)]
"""What a person wrote: up to 4,000 characters."""
Line = Annotated[str, AfterValidator(_plain), Field(max_length=200)]
