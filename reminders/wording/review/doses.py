"""Holds what a text says about a medicine against what its label allows, and against who may take it."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

from reminders.sentences import english
from reminders.wording.readability_sentences import sentences
from reminders.wording.review.figures import with_figures
from reminders.wording.review.flaws import Flaw
from reminders.wording.review.word_lists import Medicine, ReviewWords, pattern_of

_RANGE = r"(\d+)(?:\s*(?:-|–|to|a|or|o)\s*(\d+))?"
_MG = re.compile(r"(\d+)\s*mg\b")


@dataclass(frozen=True, kw_only=True)
class _Clause:
    text: str
    daily: bool
    """It says how much may be taken in 24 hours."""


def medicines_named(text: str, medicines: Mapping[str, Medicine]) -> tuple[str, ...]:
    """Return the medicines that a text names, in the table's order."""
    return tuple(name for name, medicine in medicines.items() if medicine.named.search(text))


def barred_flaws(text: str, marks: frozenset[str], medicines: Mapping[str, Medicine]) -> Iterator[Flaw]:
    """Yield each medicine that a text names although this patient must not take it unasked."""
    for name, medicine in medicines.items():
        found = medicine.named.search(text)
        if found and medicine.barred_by in marks:
            message = english("names {name} to a patient who must not be offered it").format(name=name)
            yield Flaw(rule="barred_medicine", message=message, snippet=found[0])


def dose_flaws(
    text: str, words: ReviewWords, medicines: Mapping[str, Medicine], *, agreed: Collection[int] = ()
) -> Iterator[Flaw]:
    """Yield each amount beyond a label: at once, too soon again, or in 24 hours; no daily limit beside a dose.

    More than usual in 24 hours is only noticed, and not at all when it is `agreed`: what a clinician set, in mg.
    """
    low = re.sub(r"(?<=\d)[.,](?=\d{3}\b)", "", with_figures(text, words.numbers))
    for name, clauses in _by_medicine(low, words, medicines).items():
        found = _medicine_flaws(name, medicines[name], clauses, words)
        yield from (flaw for flaw in found if not (flaw.notice and flaw.snippet in map(str, agreed)))


def _by_medicine(text: str, words: ReviewWords, medicines: Mapping[str, Medicine]) -> dict[str, list[_Clause]]:
    """Return the clauses about each medicine: from the sentence that names it up to the next one named."""
    day = re.compile(rf"\b24\s*(?:{'|'.join(map(re.escape, words.hour))})\b")
    found: dict[str, list[_Clause]] = {}
    current = ""
    for sentence in sentences(text):
        # The text is in small letters here, in which the end of a sentence before a capital is not seen.
        for clause in re.split(r"[,;:.]\s+", sentence):
            named = medicines_named(clause, medicines)
            current = named[0] if named else current
            if current:
                found.setdefault(current, []).append(_Clause(text=clause, daily=bool(day.search(clause))))
    return found


def _medicine_flaws(name: str, medicine: Medicine, clauses: list[_Clause], words: ReviewWords) -> Iterator[Flaw]:
    strength = _strength(medicine, clauses)
    limit = medicine.most_mg_in_24_hours
    for clause in clauses:
        amounts = [int(found) for found in _MG.findall(clause.text)]
        for mg in amounts:
            if mg > limit:
                yield _flaw(
                    english("{mg} mg of {name} is beyond the label's {limit} mg in 24 hours").format(
                        mg=mg, name=name, limit=limit
                    ),
                    str(mg),
                )
            elif clause.daily and mg > medicine.usual_mg_in_24_hours:
                usual = english("{mg} mg of {name} is more than the usual {usual} mg in 24 hours").format(
                    mg=mg, name=name, usual=medicine.usual_mg_in_24_hours
                )
                yield Flaw(rule="dose", message=usual, snippet=str(mg), notice=True)
        if clause.daily:
            yield from _daily_flaws(name, medicine, clause.text, strength)
        else:
            yield from _single_flaws(name, medicine, clause.text, strength, words)
    doses = any(_tablets(clause.text, words) for clause in clauses if not clause.daily)
    if doses and not any(clause.daily for clause in clauses):
        yield _flaw(
            english("says how much {name} at once, but not how much at most in 24 hours").format(name=name), name
        )


def _daily_flaws(name: str, medicine: Medicine, clause: str, strength: int | None) -> Iterator[Flaw]:
    counts = re.sub(r"\b24\b.*", "", _MG.sub("", clause))
    for found in re.findall(r"\d+", counts) if strength else ():
        mg = int(found) * (strength or 0)
        if mg > medicine.most_mg_in_24_hours:
            limit = medicine.most_mg_in_24_hours
            yield _flaw(
                english("{found} of {strength} mg {name} are {mg} mg, beyond {limit} mg in 24 hours").format(
                    found=found, strength=strength, name=name, mg=mg, limit=limit
                ),
                found,
            )


def _single_flaws(
    name: str, medicine: Medicine, clause: str, strength: int | None, words: ReviewWords
) -> Iterator[Flaw]:
    for count in _tablets(clause, words):
        mg = count * (strength or 0)
        if mg > medicine.most_mg_at_once or count > medicine.most_tablets_at_once:
            told = english("{count} tablets of {name} at once").format(count=count, name=name)
            yield _flaw(
                english("{told}, beyond the label's {most}").format(told=told, most=medicine.most_tablets_at_once),
                str(count),
            )
    every = "|".join(map(re.escape, words.every))
    hour = "|".join(map(re.escape, words.hour))
    for first, _ in re.findall(rf"\b(?:{every})\s+{_RANGE}\s*(?:{hour})\b", clause):
        if int(first) < medicine.least_hours_between:
            least = medicine.least_hours_between
            yield _flaw(
                english("{name} every {hours} hours, sooner than the label's {least}").format(
                    name=name, hours=first, least=least
                ),
                f"{first}",
            )


def _tablets(clause: str, words: ReviewWords) -> list[int]:
    """Return the most tablets of each dose named."""
    tablet = pattern_of(words.tablet).pattern
    return [int(most or least) for least, most in re.findall(rf"\b{_RANGE}\s*{tablet}", clause)]


def _strength(medicine: Medicine, clauses: list[_Clause]) -> int | None:
    """Return the milligrams of one tablet when they stand right behind the name."""
    for clause in clauses:
        for named in medicine.named.finditer(clause.text):
            if found := re.match(r"\s*\(?(\d+)\s*mg\b", clause.text[named.end() :]):
                return int(found[1])
    return None


def _flaw(message: str, snippet: str) -> Flaw:
    return Flaw(rule="dose", message=message, snippet=snippet)
