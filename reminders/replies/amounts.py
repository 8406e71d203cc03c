"""What each number in a reply stands for: a score, a temperature, a sugar value, tablets, or a time, date or count."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from reminders.replies.finding import Findings


class Measure(StrEnum):
    """What a number measures."""

    BARE = "bare"  #: nothing says otherwise; a score when a score was asked for
    OF_TEN = "of_ten"  #: "7/10", "7 out of 10"
    CELSIUS = "celsius"
    FAHRENHEIT = "fahrenheit"
    TENTHS = "tenths"  #: a temperature whose decimal point was left out, "temp 1012"
    GLUCOSE = "glucose"  #: milligrams per decilitre
    TABLETS = "tablets"
    OTHER = "other"  #: time, date, dose in milligrams, money, count of anything else


@dataclass(frozen=True, slots=True)
class Amount:
    """A number of the reply and what it measures."""

    value: float
    first: int
    """Token at which it begins."""
    last: int
    """Last token that belongs to it, unit or denominator included."""
    measure: Measure
    written_out: bool
    """A number word, such as "four"."""


_MOST_TABLETS = 120
FEVERISH_C = 37.5
_MMOL = 18.0  # mg/dL in one mmol/L of glucose


def amounts(findings: Findings) -> tuple[Amount, ...]:
    """Every number in order. Numbers joined as a range share what the last of them measures."""
    found: list[Amount] = []
    tokens, spelled = findings.reading.tokens, findings.words.numbers
    for at in [at for at, token in enumerate(tokens) if token.kind == "num" or token.word in spelled]:
        if found and at <= found[-1].last:
            continue
        number = _number(findings, at)
        if number is not None:
            found.append(_measured(findings, number))
    return _shared_in_ranges(findings, found)


def _number(findings: Findings, at: int) -> Amount | None:
    """Read the number that begins at a token: digits, a number word, or tens and units written out."""
    tokens = findings.reading.tokens
    token = tokens[at]
    if token.kind == "num":
        half = _half(findings, at)
        value = float(token.word) + (0.5 if half else 0.0)
        return Amount(value, at, at + half, Measure.BARE, written_out=False)
    spelled = findings.words.numbers.get(token.word)
    if spelled is None or token.kind != "word":
        return None
    value, last = spelled, at
    if value == 1 and _word(findings, at + 1) in {"oh", "o"} and 0 <= (unit := _spelled(findings, at + 2)) <= 9:
        return Amount(100 + unit, at, at + 2, Measure.BARE, written_out=False)  # "one oh two"
    if value >= 20:
        after = at + 1
        if after < len(tokens) and tokens[after].word in {"and", "y", "-"}:
            after += 1
        unit = findings.words.numbers.get(tokens[after].word, 0) if after < len(tokens) else 0
        if 0 < unit < (100 if value >= 100 else 10) and findings.reading.clause[after] == findings.reading.clause[at]:
            value, last = value + unit, after
    return Amount(value, at, last, Measure.BARE, written_out=True)


def _spelled(findings: Findings, at: int) -> float:
    """Give the value of a number word, -1 when it is none."""
    return findings.words.numbers.get(_word(findings, at), -1.0)


_HALVES = (("y", "medio"), ("y", "media"), ("and", "a", "half"), ("n", "a", "half"), ("and", "half"))


def _half(findings: Findings, at: int) -> int:
    """How many words after the number say "and a half"; 0 when they don't."""
    for half in _HALVES:
        if all(_word(findings, at + step) == word for step, word in enumerate(half, start=1)):
            return len(half)
    return 0


def _measured(findings: Findings, number: Amount) -> Amount:
    """Say what a number measures by the words around it."""
    out_of = _out_of_ten(findings, number)
    if out_of is not None:
        return out_of
    after, before = _beside(findings, number, number.last + 1), _beside(findings, number, number.first - 1)
    measure = _temperature(findings, number, after)
    if measure is Measure.TENTHS:
        unit = Measure.CELSIUS if number.value < 900 else Measure.FAHRENHEIT
        return replace(number, value=number.value / 10, measure=unit)
    if (
        measure is None
        and _near(findings, number, "sugar", "temp")
        and 20 <= number.value <= 1500
        and not _is(findings, after, "unit")
    ):
        measure = Measure.GLUCOSE
    if measure is None and _sugar_reading(findings, number, after):
        measure = Measure.GLUCOSE
    if measure is Measure.GLUCOSE or after == "mmol":
        value = number.value * (_MMOL if number.value <= 40 else 1.0)
        return replace(number, value=value, measure=Measure.GLUCOSE)
    if measure is None:
        measure = _counted(findings, number, after, before)
    return replace(number, measure=measure)


def _word(findings: Findings, at: int) -> str:
    tokens = findings.reading.tokens
    return tokens[at].word if 0 <= at < len(tokens) else ""


def _sugar_reading(findings: Findings, number: Amount, after: str) -> bool:
    """Whether a diabetic's reading stands in another sentence than the word: "i check as i'm diabetic. it read 342"."""
    if not 180 <= number.value <= 700 or _is(findings, after, "unit") or number.written_out:
        return False
    near = range(max(0, number.first - 4), number.first)
    return bool(findings.where("sugar", "diabetic")) and any(findings.has(at, "reading") for at in near)


def _beside(findings: Findings, number: Amount, at: int) -> str:
    """Give the word at a place when it is of the number's sentence part; in "a 5, day 4" no unit follows the 5."""
    parts = findings.reading.clause
    return _word(findings, at) if 0 <= at < len(parts) and parts[at] == parts[number.first] else ""


def _is(findings: Findings, word: str, name: str) -> bool:
    return bool(word and findings.words.entry(word).mask & findings.words.mask(name))


def _out_of_ten(findings: Findings, number: Amount) -> Amount | None:
    """Read "7/10", "7 out of 10", "7 de 10"; a fraction of anything else is a date or a blood pressure."""
    tokens = findings.reading.tokens
    words = [_word(findings, number.last + step) for step in range(1, 5)]
    for step, word in enumerate(words[:4]):
        if (
            word in {"10", "ten", "diez"}
            and step
            and all(w in {"/", "out", "of", "outta", "de", "sobre", "on", "a", "scale", "the"} for w in words[:step])
        ):
            return replace(number, last=number.last + step + 1, measure=Measure.OF_TEN)
    if words[0] == "/" and tokens[number.last + 1].attached and words[1][:1].isdigit():
        both_scores = number.value <= 10 and float(words[1]) <= 10
        if not both_scores:
            return replace(number, last=number.last + 2, measure=Measure.OTHER)
    return None


def _temperature(findings: Findings, number: Amount, after: str) -> Measure | None:
    """Celsius from 35 to 43, Fahrenheit from 95 to 110, when unit, words or a decimal say it is a body's."""
    value = number.value
    about_body = _near(findings, number, "fever", "sugar") or _near(findings, number, "temp", "sugar")
    if about_body and (350 <= value <= 430 or 950 <= value <= 1100):
        return Measure.TENTHS
    in_c, in_f = 35 <= value <= 43, 95 <= value <= 110
    if not (in_c or in_f):
        return None
    unit = Measure.CELSIUS if in_c else Measure.FAHRENHEIT
    if _near(findings, number, "not_body", "fever") and not _near(findings, number, "fever", "not_body"):
        return Measure.OTHER
    if after in {"f", "c", "°", "º", "fahrenheit", "celsius"} or _is(findings, after, "degrees"):
        return unit
    money = _word(findings, number.first - 1) in {"$", "#"}
    if money or _is(findings, after, "unit") or _near(findings, number, "sugar", "temp"):
        return None
    exact = "." in findings.reading.tokens[number.first].word
    # a lone 39 in a language of which few words are known is taken for a fever, to be safe
    bare_fever = (in_f and 100 <= value <= 107 and not number.written_out) or (in_c and findings.words.modest)
    bare_fever = bare_fever or (in_c and value >= FEVERISH_C and _somebody_has(findings, number))
    return unit if about_body or exact or bare_fever else None


def _somebody_has(findings: Findings, number: Amount) -> bool:
    """Whether a person has the number and nothing is counted by it: "my daughter has 39"."""
    parts = findings.reading.clause
    after = number.last + 1
    ends = after >= len(parts) or parts[after] != parts[number.last]
    ends = ends or findings.has(after, "courtesy", "thanks", "degree", "present", "past", "contrast", "common")
    has = number.first > 0 and findings.has(number.first - 1, "having")
    before = range(max(0, number.first - 4), number.first)
    in_a_state = number.first > 1 and findings.has(number.first - 2, "having")  # "anda con 39"
    return ends and has and (in_a_state or any(findings.has(at, "person", "self") for at in before))


def _near(findings: Findings, number: Amount, name: str, rival: str) -> bool:
    """Whether a word of the class is in the sentence, closer than any of the rival class."""
    distance = _distance(findings, number, name)
    return distance is not None and distance <= (_distance(findings, number, rival) or 99)


def _distance(findings: Findings, number: Amount, name: str) -> int | None:
    sentence = findings.reading.sentence
    if not findings.together & findings.words.mask(name):
        return None
    window = range(max(0, number.first - 10), min(len(sentence), number.first + 11))
    here = [
        abs(at - number.first) for at in window if sentence[at] == sentence[number.first] and findings.has(at, name)
    ]
    return min(here, default=None)


def _counted(findings: Findings, number: Amount, after: str, before: str) -> Measure:
    if before == "number":  # "bus number 12"
        before = _beside(findings, number, number.first - 2)
    if _clock(findings, number) or (before in {"at", "las", "@"} and _doing(findings, number)):
        return Measure.OTHER  # "8:30", "took my pill at 8"
    if _is(findings, after, "pill") or (_is(findings, _word(findings, number.last + 2), "pill") and after != "/"):
        # more is the strength of one tablet, as in "500 acetaminophen"
        return Measure.TABLETS if number.value <= _MOST_TABLETS else Measure.OTHER
    skip = 1 if _is(findings, after, "count_between") else 0
    if _is(findings, _beside(findings, number, number.last + 1 + skip), "unit") or _is(
        findings, before, "before_count"
    ):
        return Measure.OTHER
    return Measure.BARE if number.value <= 999 else Measure.OTHER


def _clock(findings: Findings, number: Amount) -> bool:
    text = findings.reading.text
    end = findings.reading.tokens[number.last].end
    start = findings.reading.tokens[number.first].start
    before, after = text[max(0, start - 2) : start], text[end : end + 2]
    return (before[-1:] == ":" and before[:1].isdigit()) or (after[:1] == ":" and after[1:].isdigit())


def _doing(findings: Findings, number: Amount) -> bool:
    parts = findings.reading.clause
    before = range(max(0, number.first - 10), number.first)
    return any(parts[at] == parts[number.first] and findings.has(at, "take", "pill", "visit", "texts") for at in before)


_JOINS = frozenset({"-", "–", "to", "or", "n", "and", "o", "u", "y", "a", "/", "x"})


def _shared_in_ranges(findings: Findings, found: list[Amount]) -> tuple[Amount, ...]:
    """In "5-7 days" and "6 or 7" the first number measures what the second does."""
    for at in range(len(found) - 2, -1, -1):
        first, second = found[at], found[at + 1]
        between = _word(findings, first.last + 1)
        if second.first - first.last == 2 and between in _JOINS and first.measure is Measure.BARE:
            found[at] = replace(first, measure=second.measure)
    return tuple(found)
