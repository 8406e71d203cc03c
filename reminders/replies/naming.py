"""Which words of a reply are only names: the one under it ("All fine. Marge") and whoever is said to speak."""

from __future__ import annotations

from reminders.replies.finding import Findings

_MOST_SIGNING = 2


def names(findings: Findings) -> frozenset[int]:
    """Give the words that are names: capitals, in no lexicon, and where a name would stand."""
    if 0 not in findings.masks and not any(entry.guessed for entry in findings.entries):
        return frozenset()
    return frozenset((*_signature(findings), *_spoken_of(findings)))


def _signature(findings: Findings) -> list[int]:
    """Give the words of a last clause that holds nothing but one or two names."""
    tokens, parts = findings.reading.tokens, findings.reading.clause
    last = [at for at in range(len(tokens)) if parts[at] == parts[-1] and tokens[at].kind == "word"]
    if len(last) == len(tokens) or not 1 <= len(last) <= _MOST_SIGNING:
        return []
    return last if all(_capital(findings, at) and _unknown(findings, at) for at in last) else []


def _spoken_of(findings: Findings) -> list[int]:
    """Give the names that somebody says something after, or that something is said for: "Owen says", "for Owen"."""
    found = []
    for at in range(len(findings.masks)):
        if not _capital(findings, at) or findings.masks[at] or not _unknown(findings, at):
            continue
        says = at + 1 < len(findings.masks) and findings.has(at + 1, "says", "at_hand")
        if says or (at and findings.has(at - 1, "said_for", "says")):
            found.append(at)
    return found


def _capital(findings: Findings, at: int) -> bool:
    token, text = findings.reading.tokens[at], findings.reading.text
    return token.kind == "word" and text[token.start].isupper() and not text[token.start : token.end].isupper()


def _unknown(findings: Findings, at: int) -> bool:
    """Whether no lexicon has the word, nor one of illness of which it could be a slip."""
    entry = findings.entries[at]
    if entry.guessed or not entry.mask:
        return not entry.mask & findings.words.mask("concern", "harm", "pain", "fever", "bleed", "swell")
    return False
