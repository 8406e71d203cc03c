"""A patient whom another system of the practice tells of, before the front desk completes and confirms the rest."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

LONGEST_VALUE = 200
"""Characters of one value; what is longer is cut, as the front desk reads it anyway."""

_LANGUAGES = {
    "eng": "en", "spa": "es", "vie": "vi", "zho": "zh", "chi": "zh", "rus": "ru", "ara": "ar",
}  # fmt: skip
"""ISO 639-2 codes of the languages there are texts in → ISO 639-1."""


@dataclass(frozen=True, kw_only=True)
class Announced:
    """What was said of one patient and one procedure; nothing is checked, and much may be missing."""

    reference: str
    """What the other system calls it: the same when it is told again."""
    values: Mapping[str, str]
    """By the columns of a list of patients (`enrollment_csv.COLUMNS`): as if somebody had typed it there."""


@dataclass(frozen=True, kw_only=True)
class Told:
    """What a file tells: the sound part of it, and what is wrong with the rest."""

    patients: tuple[Announced, ...]
    problems: tuple[str, ...] = ()


def announced(reference: str, **values: str | None) -> Announced:
    """Return what was said, without what is empty."""
    kept = {name: " ".join(value.split())[:LONGEST_VALUE] for name, value in values.items() if value and value.strip()}
    if "language" in kept:
        said = kept["language"].lower()
        kept["language"] = _LANGUAGES.get(said, said)
    return Announced(reference=" ".join(reference.split())[:LONGEST_VALUE], values=kept)
