"""Which control message a reply is: stop, start, help, or "you have the wrong person".

A control word counts when the message is that word, with nothing but courtesy around it, or when a sentence plainly
asks for it. Stop words: 47 CFR 64.1200(a)(10) as amended, 89 FR 15756 (5 March 2024): stop, quit, end, revoke,
opt out, cancel, unsubscribe. Those of other languages: common practice.
"""

from __future__ import annotations

import re
from collections.abc import Set
from dataclasses import dataclass
from itertools import pairwise

from reminders.replies.finding import Findings
from reminders.replies.judging import evidence
from reminders.replies.labels import Evidence
from reminders.replies.revoking import revocations
from reminders.sentences import english

_MOST_ALONE = 6
_MOST_NAMES = 2
_FEWEST_LETTERS = 3
_SHORTEST_NAME = 3
_SIGNS_OFF = re.compile(r"[-–—~,\n*/]")
"""What stands between a message and the name under it."""
_SETS_APART = re.compile(r"[-–—.,:;!(\n*/]")


@dataclass(frozen=True, slots=True)
class Control:
    """What the reply asks of the service itself; each is None when it does not."""

    stop: Evidence | None = None
    start: Evidence | None = None
    help: Evidence | None = None
    wrong_person: Evidence | None = None


_NOTHING_ASKED = Control()


def control_in(findings: Findings, *, pending: bool = False) -> Control:
    """Control words and sentences; never raises, an empty text gives none.

    `pending` says that a message waits for an answer, which "no more" may be.
    """
    words = [at for at, token in enumerate(findings.reading.tokens) if token.kind in {"word", "num"}]
    polite = findings.covered("close.thanks")
    few = [at for at in words if at not in polite or findings.has(at, "stop_word")]
    few = few if len(few) <= _MOST_ALONE else []
    pairs = _pairs(findings, few)
    worded = few if pairs or findings.mentions("stop_word", "start_word", "help_word") else []
    stop = _alone(findings, worded, "stop", pairs) or _spaced(findings, words) or _signed(findings)
    stop = stop or _wanted(findings, words) or _bidden(findings, words) or (None if pending else _no_more(findings))
    if stop:
        return Control(stop=stop, wrong_person=_wrong_person(findings))
    if asked := _alone(findings, worded, "help", pairs):
        return Control(help=asked)
    if back := _alone(findings, worded, "start", pairs):
        return Control(start=back)
    kept = findings.covered("control.keep") - findings.covered("control.ended")
    stop, start = _opening_stop(findings) or _closing_stop(findings) or _shouted(findings), None
    if stop is None:
        stop, start = _ended_or_wanted(findings, kept)
    wrong_person = _wrong_person(findings)
    if stop is start is wrong_person is None:
        return _NOTHING_ASKED
    return Control(stop=stop, start=start, wrong_person=wrong_person)


def _ended_or_wanted(findings: Findings, kept: Set[int]) -> tuple[Evidence | None, Evidence | None]:
    """Find a sentence that asks that the messages end, or for them again; never both.

    An ending that is told as a slip, or as past beside a wish for messages, asks for them.
    """
    ends = english("asks that the messages end")
    again = english("asks for the messages again")
    wish = _sentence(findings, "control.start", kept, again)
    kept_or_back = kept | findings.covered("control.back")
    slips = findings.covered("control.slip")
    told = slips | findings.covered("control.undone") if wish else slips
    if told and _sentence(findings, "control.stop", kept_or_back | told, ends) is None:
        return None, wish or _sentence(findings, "control.slip", frozenset(), again)
    stop = _sentence(findings, "control.stop", kept_or_back, ends)
    return stop, None if stop else wish


def _opening_stop(findings: Findings) -> Evidence | None:
    """Find an unmistakable stop word that is the whole first sentence ("STOP. he fainted")."""
    if not findings.mentions("stop_first"):
        return None
    sentence = findings.reading.sentence
    words = [at for at, token in enumerate(findings.reading.tokens) if token.kind == "word" and not sentence[at]]
    hits = [at for at in words if findings.has(at, "stop_first")]
    if not hits or not all(findings.has(at, "stop_first") or findings.has(at, "courtesy") for at in words):
        return None
    return evidence(findings, "control.stop", (hits[0], hits[-1]), english("the first sentence is the word for stop"))


def _closing_stop(findings: Findings) -> Evidence | None:
    """Find an unmistakable stop word that is the whole last clause: "thanks for these, stop", "thanks but stop".

    Beside a sign, or what may negate it, only one that is the whole last sentence: "there is pus. Stop."
    """
    if not findings.mentions("stop_first") or any(token.word == "?" for token in findings.reading.tokens):
        return None
    signs = any(kind.startswith(("sign.", "net.")) for kind in findings.by_kind)
    apart = signs or findings.mentions("negator", "says")
    parts = findings.reading.sentence if apart else findings.reading.clause
    if apart and parts[0] == parts[-1]:
        return None
    every = [at for at, token in enumerate(findings.reading.tokens) if token.kind == "word"]
    words = [at for at in every if parts[at] == parts[-1]]
    if apart and words != every and findings.has(every[-len(words) - 1], "negator", "verbal_negator", "cannot"):
        return None  # "it will not. stop"
    hits = [at for at in words if findings.has(at, "stop_first")]
    is_well = any(kind.startswith("close.") for kind in findings.by_kind)
    beside = ("contrast", "stop_filler") if is_well and not apart else ()
    if not hits or not all(findings.has(at, "stop_first", "courtesy", *beside) for at in words):
        return None
    return evidence(findings, "control.stop", (hits[0], hits[-1]), english("the last words are the word for stop"))


def _shouted(findings: Findings) -> Evidence | None:
    """Find an unmistakable stop word in capitals, set apart at either end of a text that is not: "STOP - it smells"."""
    if not findings.mentions("stop_first"):
        return None
    reading = findings.reading
    words = [at for at, token in enumerate(reading.tokens) if token.kind == "word"]
    for at, beside in ((words[0], words[1:2]), (words[-1], words[-2:-1])):
        token = reading.tokens[at]
        rest = reading.text[: token.start] + reading.text[token.end :]
        if not findings.has(at, "stop_first") or not reading.text[token.start : token.end].isupper() or rest.isupper():
            continue
        other = reading.tokens[beside[0]] if beside else token
        between = reading.text[min(token.end, other.end) : max(token.start, other.start)]
        if _SETS_APART.search(between) or (beside and findings.has(beside[0], "joins")):
            return evidence(findings, "control.stop", (at, at), english("the word for stop stands apart, in capitals"))
    return None


def _alone(findings: Findings, words: list[int], name: str, pairs: list[tuple[int, int, int]]) -> Evidence | None:
    """Give the control word, when the whole message is that word and courtesy."""
    if not words or (name == "start" and any(token.word == "?" for token in findings.reading.tokens)):
        return None
    hits = [at for at in findings.where(name + "_word") if at in words]
    beside = (f"{name}_word", f"{name}_filler", "courtesy")
    if not hits or not all(findings.has(at, *beside) for at in words):
        return _pair(findings, words, name, pairs)
    return evidence(
        findings,
        f"control.{name}",
        (hits[0], hits[-1]),
        english("the message is the word for {word}").format(word=name),
    )


def _pairs(findings: Findings, words: list[int]) -> list[tuple[int, int, int]]:
    """Give neighbours that are a known word when written as one, with the classes of that word."""
    tokens, known = findings.reading.tokens, findings.words
    return [
        (first, second, known.entry(both).mask)
        for first, second in pairwise(words)
        if known.knows(both := tokens[first].word + tokens[second].word)
    ]


def _pair(findings: Findings, words: list[int], name: str, pairs: list[tuple[int, int, int]]) -> Evidence | None:
    """Find control words written as two: "opt out", "stop all"."""
    wanted = findings.words.mask(name + "_word")
    joined = [(first, second) for first, second, mask in pairs if mask & wanted]
    beside = (f"{name}_filler", "courtesy")
    if not joined or not all(at in joined[0] or findings.has(at, *beside) for at in words):
        return None
    return evidence(
        findings, f"control.{name}", joined[0], english("the message is the words for {word}").format(word=name)
    )


def _spaced(findings: Findings, words: list[int]) -> Evidence | None:
    """Find the stop word in letters set apart: "S T O P", "s.t.o.p"."""
    tokens = findings.reading.tokens
    letters = [at for at in words if len(tokens[at].word) == 1 and tokens[at].kind == "word"]
    if len(letters) < _FEWEST_LETTERS:
        return None
    others = [at for at in words if at not in letters]
    if not all(findings.has(at, "courtesy", "thanks") for at in others):
        return None
    word = "".join(tokens[at].word for at in letters)
    if not findings.words.knows(word) or not findings.words.entry(word).mask & findings.words.mask("stop_word"):
        return None
    return evidence(findings, "control.stop", (letters[0], letters[-1]), english("the letters spell the word for stop"))


def _signed(findings: Findings) -> Evidence | None:
    """Find the stop word with a name under it: "STOP -Bob". A name is a word that no lexicon knows."""
    if not findings.mentions("stop_word"):
        return None
    reading = findings.reading
    first = next((at for at, token in enumerate(reading.tokens) if token.kind == "word"), None)
    if first is None or not findings.has(first, "stop_word"):
        return None
    names = [at for at in range(first + 1, len(reading.tokens)) if reading.tokens[at].kind == "word"]
    polite = findings.covered("close.thanks")
    names = [at for at in names if at not in polite and not findings.has(at, "courtesy", "thanks")]
    if not 1 <= len(names) <= _MOST_NAMES or any(token.word == "?" or token.kind == "num" for token in reading.tokens):
        return None
    between = reading.text[reading.tokens[first].end : reading.tokens[names[0]].start]
    if not _SIGNS_OFF.search(between) or not all(_a_name(findings, at) for at in names):
        return None
    return evidence(findings, "control.stop", (first, first), english("the message is the word for stop and a name"))


def _a_name(findings: Findings, at: int) -> bool:
    word, entry = findings.reading.tokens[at].word, findings.entries[at]
    return not findings.words.knows(word) and (entry.mask == 0 or entry.guessed or len(word) == 1)


def _wanted(findings: Findings, words: list[int]) -> Evidence | None:
    """Find a message that says only that somebody wants to quit: "I want to quit", "would like to unsubscribe"."""
    if not findings.mentions("stop_wanted") or not (findings.mentions("wish") or findings.of("control.would_like")):
        return None
    if any(token.word == "?" for token in findings.reading.tokens):
        return None
    if not all(findings.has(at, "stop_wanted", "stop_filler", "courtesy", "wish", "wishing") for at in words):
        return None
    return evidence(
        findings, "control.stop", (words[0], words[-1]), english("the message says only that they want to stop")
    )


def _bidden(findings: Findings, words: list[int]) -> Evidence | None:
    """Find a message that asks us to stop, and says not what: "could you stop please"."""
    said = findings.covered("control.bid")
    if not said or not all(at in said or findings.has(at, "courtesy") for at in words):
        return None
    return evidence(findings, "control.stop", (words[0], words[-1]), english("the message asks us to stop"))


def _no_more(findings: Findings) -> Evidence | None:
    """Find a message that is "no more" and nothing else; as an answer it may speak of pain or pills."""
    said = findings.covered("control.no_more")
    if not said:
        return None
    words = {at for at, token in enumerate(findings.reading.tokens) if token.kind != "mark"}
    if not all(at in said or findings.has(at, "courtesy", "thanks") for at in words):
        return None
    return evidence(findings, "control.stop", (min(said), max(said)), english("the message is no more than that"))


def _names_another(findings: Findings) -> Evidence | None:
    """Find a name denied: "this isn't Carol", "no Jim here". A name is a word that no lexicon knows."""
    if 0 not in findings.masks or not findings.mentions("no", "is_not"):
        return None
    tokens, parts = findings.reading.tokens, findings.reading.clause
    for at in range(1, len(tokens)):
        if tokens[at].kind != "word" or len(tokens[at].word) < _SHORTEST_NAME or findings.masks[at]:
            continue
        ends = at + 1 == len(tokens) or parts[at + 1] != parts[at]
        here = not ends and findings.has(at + 1, "at_hand") and _only_polite(findings, at + 2)
        denied = findings.has(at - 1, "no") and here
        other = ends and at > 1 and findings.has(at - 1, "is_not") and findings.has(at - 2, "who_writes")
        if denied or other:
            return evidence(findings, "control.wrong_person", (at - 1, at), english("says that somebody else writes"))
    return None


def _only_polite(findings: Findings, first: int) -> bool:
    """Whether nothing but courtesy follows in the clause, as the sorry in "no Jim here sorry"."""
    parts = findings.reading.clause
    rest = (at for at in range(first, len(parts)) if parts[at] == parts[first - 1])
    return all(findings.has(at, "courtesy", "thanks", "regret") for at in rest)


def _sentence(findings: Findings, kind: str, kept: Set[int], note: str) -> Evidence | None:
    said = findings.of(kind)
    if kind == "control.stop":
        said += tuple(revocations(findings))
    for found in said:
        if kept.isdisjoint(found.at):
            return evidence(findings, kind, (found.first, found.last), note)
    return None


def _wrong_person(findings: Findings) -> Evidence | None:
    meant = findings.covered("control.not_wrong", "control.slip")
    said = _sentence(findings, "control.wrong_person", meant, english("says that the number is not the patient's"))
    return said or _names_another(findings)
