"""Which signs a reply reports, from its words and its numbers, and which it names but denies."""

from __future__ import annotations

from typing import NamedTuple

from reminders.replies.amounts import Amount, Measure
from reminders.replies.finding import Findings
from reminders.replies.labels import Evidence
from reminders.replies.patterns import Finding
from reminders.replies.scope import Scope, Standing
from reminders.sentences import english

FEVER_C = 38.0
FEVER_F = 100.4
"""Regina Qu'Appelle Health Region, "Surgical site infections": call for fever of 38 C / 100.4 F."""
LOWERED_FEVER_C = 37.8
LOWERED_FEVER_F = 100.0
"""For patients whose defences are lowered; common practice, no source."""
HIGH_FEVER_C = 39.4
HIGH_FEVER_F = 103.0
"""With shaking it makes the sepsis picture (NI Direct, "Recognising signs and symptoms of sepsis"); the figure is
common practice, no source."""
HIGH_GLUCOSE = 300.0
LOW_GLUCOSE = 70.0
"""mg/dL. Stanford Hospital, "High blood sugar: sick day survival"; below 70 is low: common practice."""
MANY_TABLETS = 10
"""Ten 500 mg tablets pass the daily limit of 4,000 mg (A.D.A.M., "Acetaminophen overdose"); ten of the 325 mg kind
are a full day's at once."""
MOST_TABLETS_A_DAY = 12
"""Twelve of 325 mg are just below that limit; more, told as so many every few hours, are beyond any label's."""
HOURS_A_DAY = 24
DAILY_LIMIT_G = 4.0
_MOST_GRAMS = 80.0


_REACH = 6
_MOST_AT_ONCE = 20
"""More before a medicine is the strength of one tablet."""
_IF_ASKED = "sign.medicine_if_asked"
"""A medicine beside words of a question: it asks about the medicine only when the reply asks at all."""


class Sign(NamedTuple):
    """A sign named in the reply and how it stands."""

    name: str
    standing: Standing
    evidence: Evidence
    mild: bool = False
    """A trace only: a drop, a dried spot."""
    active: bool = False
    """Going on now, whatever its size."""
    early: bool = False
    """Numbness of some hours only."""
    high: bool = False
    """A fever high enough for the sepsis picture."""


def signs_in(findings: Findings, scope: Scope, numbers: tuple[Amount, ...]) -> tuple[Sign, ...]:
    """Every sign named by words or numbers, in the order of the text; the safety net is named `net`."""
    found = [
        _worded(findings, scope, one)
        for kind, ones in findings.by_kind.items()
        if kind.startswith(("sign.", "net."))
        for one in ones
        if kind != _IF_ASKED or findings.of("ask")
    ]
    if not numbers:
        return _in_order(found)
    temperatures = _fevers(findings, scope, numbers)
    if temperatures and not any(sign.standing.counts for sign in temperatures):
        # "is 99.1 a fever?": the number settles what the word leaves open
        found = [s._replace(standing=Standing.NEGATED) if s.name == "fever" else s for s in found]
    found += temperatures
    found += [
        s
        for n in numbers
        for s in (
            _glucose(findings, n),
            _tablets(findings, scope, n),
            _weighed(findings, n),
            _repeated(findings, numbers, n),
        )
        if s is not None
    ]
    return _in_order(found)


def _in_order(signs: list[Sign]) -> tuple[Sign, ...]:
    return tuple(sorted(signs, key=lambda sign: (sign.evidence.start, sign.evidence.end)))


def evidence(findings: Findings, rule: str, span: tuple[int, int], note: str) -> Evidence:
    """Evidence for the words from one token to another."""
    tokens = findings.reading.tokens
    start, end = tokens[span[0]].start, tokens[span[1]].end
    return Evidence(rule=rule, words=findings.reading.text[start:end], start=start, end=end, note=note)


def _worded(findings: Findings, scope: Scope, one: Finding) -> Sign:
    group, _, name = one.kind.partition(".")
    if group == "net":
        name = "net"
    if one.kind == _IF_ASKED:
        name = "medicine_question"
    standing = scope.of(one)
    if name == "pus_or_serum":
        # clear or pale, watery weeping is expected after a chemical nail procedure (NHS nail-surgery leaflets)
        name = "drainage" if _same_clause(findings, "scope.thin", one) else "pus"
    return Sign(
        name,
        standing,
        evidence(findings, one.kind, (one.first, one.last), standing.value),
        mild=_is_trace(findings, one),
        active=_same_clause(findings, "scope.active", one),
        early=name == "numb_late" and _hours_only(findings),
    )


def _is_trace(findings: Findings, one: Finding) -> bool:
    """Whether its clause calls it small or old, and not something beside it: "dry and bleeding"."""
    parts = findings.reading.clause
    return any(
        parts[mild.first] == parts[one.first]
        and not any(findings.has(at, "joins") for at in range(mild.last + 1, one.first))
        for mild in findings.of("scope.mild")
    )


def _hours_only(findings: Findings) -> bool:
    """Whether the reply counts hours, and no day is named."""
    return bool(findings.where("hours")) and not findings.where("days", "weekday")


def _same_clause(findings: Findings, kind: str, one: Finding) -> bool:
    others = findings.of(kind)
    if not others:
        return False
    parts = findings.reading.clause
    return any(parts[f.first] == parts[one.first] for f in others)


def _fevers(findings: Findings, scope: Scope, numbers: tuple[Amount, ...]) -> list[Sign]:
    found: list[Sign] = []
    for number in numbers:
        if number.measure is not Measure.CELSIUS and number.measure is not Measure.FAHRENHEIT:
            continue
        celsius = number.measure is Measure.CELSIUS
        feverish = number.value >= (FEVER_C if celsius else FEVER_F)
        low = number.value >= (LOWERED_FEVER_C if celsius else LOWERED_FEVER_F)
        standing = scope.of(Finding("sign.fever", tuple(range(number.first, number.last + 1))))
        if not feverish:
            standing = Standing.NEGATED
        note = english("temperature {number:g} {unit}: {standing}").format(
            number=number.value, unit=number.measure.value, standing=standing.value
        )
        found.append(
            Sign(
                "fever",
                standing,
                evidence(findings, "number.temperature", (number.first, number.last), note),
                mild=low and not feverish,
                high=number.value >= (HIGH_FEVER_C if celsius else HIGH_FEVER_F),
            )
        )
    return found


def _glucose(findings: Findings, number: Amount) -> Sign | None:
    if number.measure is not Measure.GLUCOSE:
        return None
    high = number.value > HIGH_GLUCOSE
    low = number.value < LOW_GLUCOSE
    standing = Standing.PRESENT if high or low else Standing.NEGATED
    return Sign(
        "net" if low else "glucose_high",
        standing,
        evidence(
            findings,
            "number.glucose",
            (number.first, number.last),
            english("glucose {number:g} mg/dL: {standing}").format(number=number.value, standing=standing.value),
        ),
        mild=180 < number.value <= HIGH_GLUCOSE,
    )


def _weighed(findings: Findings, number: Amount) -> Sign | None:
    """More grams of a medicine taken than the daily limit: "took 8 g of acetaminophen since breakfast".

    A total counts whichever sentence names the medicine: "acetaminophen at 2, 6 and 10. Total 8000 mg".
    """
    sentence, after = findings.reading.sentence, number.last + 1
    if after >= len(sentence):
        return None
    grams = 1.0 if findings.has(after, "grams") else 0.001 if findings.has(after, "milligrams") else 0.0
    taken = all(any(sentence[at] == sentence[after] for at in findings.where(name)) for name in ("take", "pill"))
    total = any(sentence[at] == sentence[after] for at in findings.where("total")) and findings.mentions("pill")
    if not (taken or total) or not DAILY_LIMIT_G < number.value * grams <= _MOST_GRAMS:
        return None
    note = english("{number:g} g taken").format(number=number.value * grams)
    return Sign("overdose", Standing.PRESENT, evidence(findings, "number.grams", (number.first, after), note))


def _tablets(findings: Findings, scope: Scope, number: Amount) -> Sign | None:
    """Far more tablets at once, or in a day, than the daily limit."""
    parts = findings.reading.sentence
    if number.value < MANY_TABLETS:
        return None
    same = [n for n in findings.where("take") if parts[n] == parts[number.first]]
    bare = number.measure is Measure.BARE and not findings.of("ask")
    among = any(parts[at] == parts[number.first] for at in findings.where("pill"))
    counted = number.measure is Measure.TABLETS or (bare and (among or _just_after(same, number.first)))
    if not same or not counted or number.value > 500:
        return None
    if any(parts[at] == parts[number.first] for at in findings.where("long_span")):
        return None
    at = (min(same[0], number.first), max(same[0], number.last))
    standing = scope.of(Finding("sign.overdose", (number.first,)))
    return Sign("overdose", standing, evidence(findings, "number.tablets", at, f"{number.value:g} taken"))


def _repeated(findings: Findings, numbers: tuple[Amount, ...], hours: Amount) -> Sign | None:
    """More tablets in a day than any label allows, told by the hour: "taken 4 every 2 hours"."""
    after, sentence = hours.last + 1, findings.reading.sentence
    unit = hours.last if findings.has(hours.last, "hours") else after
    if unit >= len(sentence) or not findings.has(unit, "hours") or not findings.has(hours.first - 1, "each_time"):
        return None
    if not 1 <= hours.value <= HOURS_A_DAY:
        return None
    about = [at for at, part in enumerate(sentence) if part == sentence[hours.first]]
    taken = any(findings.has(at, "taken") for at in about) and any(findings.has(at, "pill", "dose") for at in about)
    counts = [n for n in numbers if n.measure in {Measure.BARE, Measure.TABLETS} and n.value <= _MOST_AT_ONCE]
    before = [n for n in counts if 0 < hours.first - n.last <= _REACH and sentence[n.first] == sentence[hours.first]]
    if not taken or not before or before[-1].value * HOURS_A_DAY / hours.value <= MOST_TABLETS_A_DAY:
        return None
    amount = before[-1]
    note = english("{number:g} every {hours:g} hours").format(number=amount.value, hours=hours.value)
    return Sign("overdose", Standing.PRESENT, evidence(findings, "number.tablets", (amount.first, unit), note))


def _just_after(verbs: list[int], first: int) -> bool:
    return any(0 < first - at <= 3 for at in verbs)
