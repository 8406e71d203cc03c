"""Knows the words of each language that texts are checked for: private ones, answers, days, doses, medicines."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from reminders.errors import Fault, PlanError
from reminders.sentences import english

PRIVATE_FILE = "private_words.toml"
REVIEW_FILE = "review.toml"
MEDICINES_FILE = "medicines.toml"

Shape = TypeVar("Shape")


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class PrivateWords(_Table):
    """`private_words.toml`; a word may end in `*` for any ending."""

    body_site: tuple[str, ...] = ()
    diagnosis: tuple[str, ...] = ()
    procedure: tuple[str, ...] = ()
    substance: tuple[str, ...] = ()
    first_line: tuple[str, ...] = ()
    """May stand in a text, but not where a locked screen shows it."""

    def groups(self) -> Iterator[tuple[str, tuple[str, ...]]]:
        """Yield what no text message may hold, by what kind of word it is."""
        yield english("names a body site"), self.body_site
        yield english("names an illness"), self.diagnosis
        yield english("names a procedure"), self.procedure
        yield english("names a substance"), self.substance


class ReviewWords(_Table):
    """`review.toml`: how the language says what every plan is checked for."""

    yes: str
    no: str
    confirm: str
    stop: str
    not_for_emergencies: tuple[str, ...] = Field(min_length=1)
    hour: tuple[str, ...] = Field(min_length=1)
    tablet: tuple[str, ...] = Field(min_length=1)
    every: tuple[str, ...] = Field(min_length=1)
    numbers: tuple[str, ...] = ()
    """Number words from zero on."""
    until_day: tuple[str, ...] = ()
    """Phrases with `{n}` that name the day on which something ends; the same for the next two."""
    for_days: tuple[str, ...] = ()
    on_day: tuple[str, ...] = ()


class Medicine(_Table):
    """What the label allows an adult to take without a doctor."""

    barred_by: str
    words: tuple[str, ...] = Field(min_length=1)
    most_mg_at_once: int = Field(gt=0)
    most_tablets_at_once: int = Field(gt=0)
    least_hours_between: int = Field(gt=0)
    usual_mg_in_24_hours: int = Field(gt=0)
    most_mg_in_24_hours: int = Field(gt=0)
    source: str

    @cached_property
    def named(self) -> re.Pattern[str]:
        """What finds the medicine in a text of any language."""
        return pattern_of(self.words)


@dataclass(frozen=True, kw_only=True)
class WordLists:
    """Everything that the texts of one language are checked for."""

    private: tuple[PrivateWords, ...]
    """The shared list, then the procedure's own if it has one."""
    review: ReviewWords
    medicines: Mapping[str, Medicine]


def read_word_lists(language: str, *, folder: Path, shared: Path) -> WordLists:
    """Return a language's lists, from the shared folder and the procedure's; PlanError for a missing or faulty one."""
    own = folder / language / PRIVATE_FILE
    files = [shared / language / PRIVATE_FILE, *([own] if own.is_file() else [])]
    return WordLists(
        private=tuple(_read(file, TypeAdapter(PrivateWords)) for file in files),
        review=_read(shared / language / REVIEW_FILE, TypeAdapter(ReviewWords)),
        medicines=_read(shared / MEDICINES_FILE, TypeAdapter(dict[str, Medicine])),
    )


@lru_cache(maxsize=256)
def pattern_of(words: tuple[str, ...]) -> re.Pattern[str]:
    """Return what finds any of the words, whole and in any case; nothing is found for no words."""
    parts = (re.escape(word).replace(r"\*", r"\w*").replace(r"\ ", r"\s+") for word in words)
    return re.compile(rf"(?<!\w)(?:{'|'.join(parts)})(?!\w)" if words else r"(?!)", re.IGNORECASE)


def _read(path: Path, shape: TypeAdapter[Shape]) -> Shape:
    try:
        return shape.validate_python(tomllib.loads(path.read_bytes().decode("utf-8-sig")))
    except FileNotFoundError:
        message = english("this file is missing, so texts can't be checked")
        raise PlanError((Fault(file=path, line=0, message=message),)) from None
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise PlanError(
            (Fault(file=path, line=0, message=english("not valid TOML in UTF-8: {reason}").format(reason=error)),)
        ) from error
    except ValidationError as error:
        faults = (f"{'.'.join(map(str, each['loc']))}: {each['msg']}" for each in error.errors(include_url=False))
        raise PlanError(tuple(Fault(file=path, line=0, message=fault) for fault in faults)) from error
