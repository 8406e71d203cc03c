"""Whether a sign that is named is there: negated, over, imagined, at another time, or another person's.

After W. Chapman et al., "A simple algorithm for identifying negated findings" (NegEx), J Biomed Inform 2001;34:301, and
H. Harkema et al., "ConText", J Biomed Inform 2009;42:839. Where those let a negation reach to the end of the sentence,
here it passes only through words known to carry it on: a sign wrongly denied costs more than one wrongly kept.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

from reminders.replies.finding import Findings
from reminders.replies.labels import EMERGENCY_SIGNS, URGENT_SIGNS
from reminders.replies.patterns import Finding
from reminders.sentences import english

ACUTE = frozenset({"fever", "chills", "bleeding", "heavy_bleeding", "collapse", "chest_pain", "breathing"})
"""Signs that still count when over, if they were there within the last day (rule of the practice)."""
_LASTING = frozenset({"supplies", "reschedule", "callback"})
"""What is wanted until somebody sees to it, whatever else is over: "lost the tube, have used none since"."""
_EASED = frozenset({"numb_late", "fever", "chills", "bleeding"})
_REACH = 10
_ENDING_REACH = 14
_YEAR = re.compile("(?:19|20)[0-9]{2}")
_DENYING = ("negator", "verbal_negator", "cannot")
_BODILY_SIGNS = tuple(f"sign.{name}" for name in (*EMERGENCY_SIGNS, *URGENT_SIGNS, "drainage", "itching"))
_SIGN_WORDS = (
    "red",
    "swell",
    "pain",
    "bleed",
    "fever",
    "chills",
    "smell",
    "pus",
    "numb",
    "itch",
    "rash",
    "dark",
    "cold",
    "hot",
    "streak",
    "vomit",
    "burn",
    "matter",
    "ill",
)


class Standing(StrEnum):
    """How a named sign stands; the value is the sentence staff read."""

    PRESENT = english("reported as present")
    OVER = english("over, but within the last day")
    NEGATED = english("denied")
    PAST = english("over for more than a day")
    OTHER_TIME = english("another time or place")
    IMAGINED = english("imagined or asked about, not reported")
    SOMEONE_ELSE = english("somebody else's")

    @property
    def counts(self) -> bool:
        """Whether the sign is listed."""
        return self is Standing.PRESENT or self is Standing.OVER


@dataclass(frozen=True)
class Scope:
    """The scopes of one reading; `of` tells how a finding stands."""

    findings: Findings
    leading_no: bool
    """The reply may open with a "no" that answers a question."""

    def of(self, sign: Finding) -> Standing:
        """How the sign stands."""
        if self._negated(sign):
            return Standing.NEGATED
        if (self.findings.of("scope.hypothetical") or self.findings.of("scope.if_asked")) and self._imagined(sign):
            return Standing.IMAGINED
        if self._set_against_own(sign) or (self.findings.of("scope.stranger") and self._of_stranger(sign)):
            return Standing.SOMEONE_ELSE
        if self._other_time(sign):
            return Standing.OTHER_TIME
        name = sign.kind.partition(".")[2]
        if name in _LASTING or not self._resolved(sign, name):
            return Standing.PRESENT
        return Standing.OVER if name in ACUTE and not self._long_ago(sign) else Standing.PAST

    # ------------------------------------------------------------ negation
    @cached_property
    def _negators(self) -> frozenset[int]:
        findings = self.findings
        signs = {kind for kind in findings.by_kind if kind.startswith(("sign.", "net."))}
        own = findings.covered("scope.pseudo", "control.stop")
        own |= findings.covered(*signs).intersection(findings.where("negator"))
        tokens = {at for found in findings.of("scope.negation") if own.isdisjoint(found.at) for at in found.at}
        if self._opens_with_answer():
            tokens -= {self._first_word}
        return frozenset([at for at in tokens if not self._answers_before(at)])

    def _answers_before(self, at: int) -> bool:
        """Whether a "no" opens a clause and a statement follows: "done. no it bled through"."""
        findings, parts = self.findings, self.findings.reading.clause
        opens = at > 0 and parts[at - 1] != parts[at] and findings.has(at, "no")
        return opens and at + 1 < len(parts) and parts[at + 1] == parts[at] and findings.has(at + 1, "tells_on")

    def _opens_with_answer(self) -> bool:
        """Whether the first word answers, as in "no, ..." and "no it's bleeding"; in "no fever" it negates."""
        findings, first = self.findings, self._first_word
        parts = findings.reading.clause
        if first >= len(parts) or not findings.has(first, "no"):
            return False
        if len(parts) == first + 1 or parts[first + 1] != parts[first]:
            return True
        return findings.has(first + 1, "assert") or findings.has(first + 1, "negator")

    @cached_property
    def _first_word(self) -> int:
        """The first word that is more than a greeting or courtesy."""
        findings = self.findings
        at = 0
        while at < len(findings.masks) and findings.has(at, "courtesy", "thanks", "ack"):
            at += 1
        return at

    @cached_property
    def _named(self) -> frozenset[int]:
        """Tokens that name a bodily sign: the items of a list of denials."""
        return self.findings.covered(*_BODILY_SIGNS).union(self.findings.where(*_SIGN_WORDS))

    def _negated(self, sign: Finding) -> bool:
        if sign.kind == "sign.self_harm":
            return False  # "i dont see a reason to live": what is negated here is life; a denial is read by a person
        if self.findings.of("scope.turned") and self._turned(sign):
            return False
        if self.findings.of("scope.negation") and (self._negated_before(sign) or self._negated_within(sign)):
            return True
        return self._negated_after(sign)

    def _turned(self, sign: Finding) -> bool:
        """Whether the sentence ends by taking the denial back: "there was no pus, now there is"."""
        parts = self.findings.reading.sentence
        return any(
            found.first > sign.last
            and parts[found.first] == parts[sign.last]
            and (found.last + 1 == len(parts) or parts[found.last + 1] != parts[found.last])
            for found in self.findings.of("scope.turned")
        )

    def _negated_within(self, sign: Finding) -> bool:
        """Find a negation between the words of the sign: "the redness has not spread"."""
        findings = self.findings
        for at in range(sign.first + 1, sign.last):
            if at not in self._negators or at in sign.at:
                continue
            following = min(one for one in sign.at if one > at)
            between = range(at + 1, following)
            if all(findings.has(i, "transparent") or findings.has(i, "degree") for i in between):
                return True
        return False

    def _negated_before(self, sign: Finding) -> bool:
        findings, parts = self.findings, self.findings.reading.clause
        # "ne peux pas respirer", "no, i cant breathe": a sign that is itself a negation is not negated once more
        if parts[sign.first] != parts[sign.last] or any(findings.has(at, *_DENYING) for at in sign.at):
            return False
        chained = False
        here = sign.first
        part = parts[here]
        for at in range(here - 1, max(-1, here - 3 * _REACH), -1):
            if parts[at] != part:
                if not self._continues_list(at + 1):
                    return False
                part, chained = parts[at], True
            if at in self._negators:
                answer = at == self._first_word and self.leading_no and findings.has(0, "no")
                if answer and any(findings.has(one, "assert") for one in range(sign.first, sign.last)):
                    return False  # "no pain is bad"
                return self._bare(sign) if chained or answer else True
            if at in self._named:
                chained = True
            elif findings.has(at, "stopper") or not findings.has(at, "transparent", "degree", "joins"):
                return False
        return False

    def _continues_list(self, at: int) -> bool:
        """Whether the clause that begins at a token goes on with a list of denials: one bare item, or "or ..."."""
        findings, parts = self.findings, self.findings.reading.clause
        if findings.reading.sentence[at - 1] != findings.reading.sentence[at]:
            return False
        clause = [i for i in range(at, min(at + 8, len(parts))) if parts[i] == parts[at]]
        if findings.has(at, "or_joins"):
            return True
        if not all(i in self._named or findings.has(i, "joins") for i in clause):
            return False
        following = clause[-1] + 1
        if len(clause) == 1 or any(findings.has(i, "or_joins") for i in clause):
            return True
        return following < len(parts) and findings.has(following, "or_joins")

    def _bare(self, sign: Finding) -> bool:
        """Whether it is a short item, followed by another item, a joining word or the end of the clause."""
        findings, after = self.findings, sign.last + 1
        parts = findings.reading.clause
        if sign.last - sign.first > 2:
            return False
        if after >= len(parts) or parts[after] != parts[sign.last]:
            return True
        return findings.has(after, "joins", "list_end", "negator") or (
            after in self._named and not findings.has(after, "toward")
        )

    def _negated_after(self, sign: Finding) -> bool:
        """Find a denial after the sign: "pus? no", "fever none"."""
        findings, parts = self.findings, self.findings.reading.clause
        if not findings.mentions("denial"):
            return False
        after = sign.last + 1
        if after < len(parts) and findings.reading.tokens[after].word == "?":
            after += 1
        if after >= len(parts) or not findings.has(after, "denial"):
            return False
        return after + 1 >= len(parts) or parts[after + 1] != parts[after]

    # ------------------------------------------------------------ imagined, another's, another time
    @cached_property
    def _imaginings(self) -> tuple[Finding, ...]:
        triggers = self.findings.of("scope.hypothetical")
        if self.findings.of("ask"):
            triggers += self.findings.of("scope.if_asked")
        if not triggers:
            return ()
        actual = self.findings.covered("scope.actual")
        return tuple(f for f in triggers if not actual.issuperset(f.at))

    def _imagined(self, sign: Finding) -> bool:
        reading = self.findings.reading
        for trigger in self._imaginings:
            first = trigger.first
            if reading.sentence[first] != reading.sentence[sign.first] or first > sign.first:
                continue
            if sign.first - first > 2 * _REACH or self._asserted_between(trigger.last, sign.first):
                continue
            if not self._told_apart(trigger.last, sign):
                return True
        return False

    def _asserted_between(self, start: int, stop: int) -> bool:
        """Whether a clause that reports something ("..., there's") begins between two tokens."""
        parts = self.findings.reading.clause
        for at in range(start + 1, stop + 1):
            if parts[at] == parts[at - 1]:
                continue
            while at < stop and self.findings.has(at, "joins"):
                at += 1  # noqa: PLW2901 - the joining word is skipped
            if self.findings.has(at, "assert") or self.findings.has(at, "contrast"):
                return True
        return False

    def _told_apart(self, trigger: int, sign: Finding) -> bool:
        """Whether a later clause says that the sign is there: "when should i worry, the streak is ..."."""
        findings, parts = self.findings, self.findings.reading.clause
        if parts[trigger] == parts[sign.first] or any(
            findings.has(at, "or_joins") for at in range(trigger, sign.first)
        ):
            return False
        clause = [at for at in range(sign.first - _REACH, sign.last + 1) if at >= 0 and parts[at] == parts[sign.first]]
        return any(findings.has(at, "copula") for at in clause)

    def _of_stranger(self, sign: Finding) -> bool:
        findings, parts = self.findings, self.findings.reading.clause
        for found in findings.of("scope.stranger"):
            at = found.first
            between = range(at + 1, sign.last + 1)
            if at < sign.first and parts[at] == parts[sign.first]:
                return not any(findings.has(i, "self") for i in between)
        return False

    def _set_against_own(self, sign: Finding) -> bool:
        """Whether somebody named before the sign has it, and the writer's own is told apart: "mine is healing"."""
        findings, parts = self.findings, self.findings.reading.clause
        own = findings.of("scope.own")
        if not own or any(parts[one.first] == parts[sign.first] for one in own):
            return False
        clause = [at for at, part in enumerate(parts) if part == parts[sign.first]]
        before = [at for at in clause if at < sign.first]
        whose = any(findings.has(at, "kin", "stranger") for at in before)
        # a parent answers for a child: "my son has a fever" is the patient's
        # nor is it theirs who only sees it: "my wife noticed pus"
        return whose and not any(findings.has(at, "own_sign", "ward", "says", "noticing") for at in before)

    def _other_time(self, sign: Finding) -> bool:
        findings, reading = self.findings, self.findings.reading
        if not self._near("scope.had", sign, same_clause=True) or self._near("scope.again", sign, same_clause=True):
            return False
        if any(reading.clause[at] == reading.clause[sign.first] for at in self._years):
            return True
        if any(reading.sentence[found.first] == reading.sentence[sign.first] for found in findings.of("scope.youth")):
            return True
        return any(
            reading.clause[found.first] == reading.clause[sign.first] for found in findings.of("scope.other_time")
        )

    @cached_property
    def _years(self) -> tuple[int, ...]:
        """Numbers that are years: "in 2019"."""
        tokens = self.findings.reading.tokens
        before = {"in", "en", "of", "since"}
        return tuple(
            at
            for at, token in enumerate(tokens)
            if token.kind == "num" and at and tokens[at - 1].word in before and _YEAR.fullmatch(token.word)
        )

    def _near(self, kind: str, sign: Finding, *, same_clause: bool) -> bool:
        ones = self.findings.of(kind)
        if not ones:
            return False
        reading = self.findings.reading
        parts = reading.clause if same_clause else reading.sentence
        return any(parts[f.first] == parts[sign.first] for f in ones)

    # ------------------------------------------------------------ over
    @cached_property
    def _endings(self) -> tuple[tuple[Finding, bool], ...]:
        """Words that say something is over, each with whether they mean "gone" rather than "better"."""
        undone = self.findings.covered("scope.unresolved")
        signs = self.findings.covered(
            *(kind for kind in self.findings.by_kind if kind.startswith("sign.") and kind != "sign.reschedule")
        )
        parts = self.findings.reading.clause
        asked = {parts[found.first] for found in self.findings.of("ask")}
        others = set(self.findings.where("elsewise"))  # "otherwise fine" speaks of all but the sign
        return tuple(
            (found, kind == "scope.resolved")
            for kind in ("scope.resolved", "scope.eased")
            for found in self.findings.of(kind)
            if undone.isdisjoint(found.at)
            and signs.isdisjoint(found.at)
            and (kind == "scope.resolved" or parts[found.first] not in asked)
            and others.isdisjoint(range(found.first - 4, found.first))
        )

    def _resolved(self, sign: Finding, name: str) -> bool:
        if name == "bleeding" and self._stanched(sign):
            return True
        if not (self.findings.of("scope.resolved") or self.findings.of("scope.eased")) or not self._endings:
            return False
        reading, theirs = self.findings.reading, self._of_others
        lasts = any(self.findings.has(at, "still") for at in range(max(0, sign.first - 3), sign.last + 1))
        for ending, gone in self._endings:
            if not gone and (name not in _EASED or lasts):
                continue
            if reading.sentence[ending.first] != reading.sentence[sign.last]:
                continue
            if reading.clause[ending.first] in theirs and reading.clause[sign.first] not in theirs:
                continue  # "mine is infected, my sister's healed"
            if ending.last < sign.first:
                if gone and sign.first - ending.last <= 2 and reading.clause[ending.last] == reading.clause[sign.first]:
                    return True
            elif (
                ending.first > sign.last
                and ending.first - sign.last <= _ENDING_REACH
                and not self._other_between(sign, ending)
            ):
                return True
        return False

    def _stanched(self, sign: Finding) -> bool:
        """Whether the next sentence says that bleeding told as past stopped: "It bled. Pressed on it and it quit."."""
        findings, parts = self.findings, self.findings.reading.sentence
        told = any(findings.has(at, "bled") for at in sign.at)
        ends = [found for found in findings.of("scope.stanched") if parts[found.first] == parts[sign.last] + 1]
        if not told or not ends:
            return False
        later = (*findings.of("scope.again"), *findings.of("scope.active"), *findings.of("sign.bleeding"))
        return not any(parts[found.last] > parts[sign.last] for found in later)

    @cached_property
    def _of_others(self) -> frozenset[int]:
        """The clauses that speak of relatives and others."""
        parts = self.findings.reading.clause
        return frozenset(parts[at] for at in self.findings.where("kin", "stranger"))

    def _other_between(self, sign: Finding, ending: Finding) -> bool:
        """Whether another sign, after a break or contrast, stands between; then the ending belongs to that one."""
        parts = self.findings.reading.clause
        return any(
            at in self._named and parts[at] != parts[sign.last] and at not in ending.at
            for at in range(sign.last + 1, ending.first)
        )

    def _long_ago(self, sign: Finding) -> bool:
        if self._near("scope.recent", sign, same_clause=True):
            return False
        return self._near("scope.long_ago", sign, same_clause=False)
