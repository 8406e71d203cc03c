"""Reads the words that stand around the texts, one TOML file for each language and purpose."""

from __future__ import annotations

import tomllib
from functools import lru_cache
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from reminders.errors import Fault, PlanError
from reminders.sentences import english

Words = TypeVar("Words", bound=BaseModel)


def read_words(path: Path, kind: type[Words]) -> Words:
    """Return what a file says; PlanError that names every fault when it is missing, unreadable or not whole."""
    return kind.model_validate(_read(path, kind))


@lru_cache(maxsize=64)
def _read(path: Path, kind: type[BaseModel]) -> BaseModel:
    try:
        return kind.model_validate(tomllib.loads(path.read_text("utf-8")))
    except FileNotFoundError:
        raise PlanError((Fault(file=path, line=0, message=english("this file is missing")),)) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise PlanError((Fault(file=path, line=0, message=str(error)),)) from error
    except ValidationError as error:
        faults = (f"{'.'.join(map(str, each['loc']))}: {each['msg']}" for each in error.errors())
        raise PlanError(tuple(Fault(file=path, line=0, message=message) for message in faults)) from error
