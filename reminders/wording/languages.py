"""Knows in what state a folder of texts is: original, draft translation, or reviewed, and by whom."""

from __future__ import annotations

import tomllib
from datetime import date
from enum import StrEnum
from functools import cache
from pathlib import Path
from typing import Literal

from babel import Locale, UnknownLocaleError
from pydantic import BaseModel, ConfigDict, ValidationError, model_validator

from reminders.errors import Fault, PlanError
from reminders.sentences import english
from reminders.wording.dates import is_known

Direction = Literal["ltr", "rtl"]
LANGUAGE_FILE = "language.toml"


class TranslationStatus(StrEnum):
    """How far a folder's texts can be trusted to say what the original says."""

    ORIGINAL = "original"  # written in this language, not translated
    REVIEWED = "reviewed"  # a qualified translator read it
    DRAFT = "draft"  # nobody qualified has read it yet; not sent outside the demonstration


class LanguageFile(BaseModel):
    """`language.toml` of one folder of texts."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    language: str
    """The folder's name."""
    locale: str = ""
    """The CLDR locale of dates and times, where it is not the language's own (`es_419`)."""
    translation_status: TranslationStatus
    reviewed_by: str = ""
    reviewed_on: date | Literal[""] = ""
    qualification: str = ""
    """What makes the reviewer a qualified translator."""

    @model_validator(mode="after")
    def _is_whole(self) -> LanguageFile:
        named = all((self.reviewed_by, self.reviewed_on, self.qualification))
        if self.translation_status is TranslationStatus.REVIEWED and not named:
            raise ValueError(english("a reviewed translation names reviewed_by, reviewed_on and qualification"))
        if not is_known(self.cldr_locale):
            raise ValueError(english("CLDR knows no locale {locale!r}").format(locale=self.cldr_locale))
        return self

    @property
    def cldr_locale(self) -> str:
        """The locale that dates and times are written in."""
        return self.locale or self.language.replace("-", "_")


def read_language(folder: Path) -> LanguageFile:
    """Return what a folder of texts says about itself; PlanError when it says nothing, or nonsense."""
    path = folder / LANGUAGE_FILE
    try:
        found = LanguageFile.model_validate(tomllib.loads(path.read_text("utf-8-sig")))
    except FileNotFoundError:
        raise PlanError((Fault(file=path, line=0, message=english("this file is missing")),)) from None
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise PlanError(
            (Fault(file=path, line=0, message=english("not valid TOML in UTF-8: {reason}").format(reason=error)),)
        ) from error
    except ValidationError as error:
        faults = (f"{'.'.join(map(str, each['loc']))} {each['msg']}".strip() for each in error.errors())
        raise PlanError(tuple(Fault(file=path, line=0, message=fault) for fault in faults)) from error
    if found.language != folder.name:
        message = english("language {language!r} stands in the folder {folder!r}").format(
            language=found.language, folder=folder.name
        )
        raise PlanError((Fault(file=path, line=0, message=message),))
    return found


def weakest(statuses: tuple[TranslationStatus, ...]) -> TranslationStatus:
    """Return the status of texts put together from several folders; a draft anywhere makes a draft."""
    order = (TranslationStatus.DRAFT, TranslationStatus.REVIEWED, TranslationStatus.ORIGINAL)
    return min(statuses, key=order.index)


@cache
def direction_of(language: str) -> Direction:
    """Return from which side a language is written, by CLDR; `ltr` for a code that it does not know."""
    try:
        return "rtl" if Locale.parse(language.replace("-", "_")).text_direction == "rtl" else "ltr"
    except (UnknownLocaleError, ValueError):
        return "ltr"
