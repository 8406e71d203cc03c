"""Parts what somebody wrote in a mail from what they quoted and signed; what may be their own words is kept."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from quotequail import quote

_ALL_LINES = 1_000_000
_INTRO_LINES = 3
_HEADER = re.compile(
    r"\*?(from|sent|date|to|cc|bcc|subject|reply-to|importance"
    r"|de|enviado( el)?|fecha|para|asunto|von|gesendet|an|betreff|envoy[ée]|à|objet|от( кого)?|кому|дата|тема)"
    r" ?:\*?(\s|$)",
    re.IGNORECASE,
)
_FROM = re.compile(r"\*?(from|de|von|от( кого)?) ?:", re.IGNORECASE)
_HEADER_LINES, _SURE_HEADERS = 5, 3
_DELIMITER = re.compile(r"-- ?$")  # RFC 3676 section 4.3
_SIGNATURE_LINES = 4  # RFC 3676 has no limit; "four lines" is the old rule of RFC 1855 section 3.1.1, from memory
_SENT_FROM = re.compile(
    r"(sent (from|via|with)|get|enviado (desde|con)|envoyé de|gesendet (von|mit)|отправлено (с|из))\b.{0,30}"
    r"\b(iphone|ipad|android|galaxy|samsung|pixel|phone|mobile|tablet|device|teléfono|móvil|celular|téléphone|handy"
    r"|outlook|yahoo|gmail|mail|aol|proton|smartphone|huawei|xiaomi|motorola|устройства|телефона)\b.{0,60}$",
    re.IGNORECASE,
)
_WORD = re.compile(r"\w+")
_SURE_WORDS = 4
"""So many words in a row that stand in our text are ours; fewer may be an answer that uses them ("yes")."""


@dataclass(frozen=True, kw_only=True)
class OwnWords:
    """A mail, parted."""

    text: str
    """What the sender wrote, each line as it stood."""
    left_out: str
    """Everything else but blank lines, in order."""
    signature: str
    """The part of `left_out` that signs: short, in its standard form, and asking nothing."""


def own_words(text: str, ours: Sequence[str] = ()) -> OwnWords:
    """Part what the sender wrote from quotes and a signature; `ours` are texts of ours that may be quoted.

    A line is left out only if it is marked as quoted, introduces a quote, is ours word for word, or belongs to a
    signature in its standard form. All others are kept, wherever they stand: people answer above, within and below.
    """
    above, below = _halves(text)
    known = _Ours(ours)
    kept: list[str] = []
    dropped: list[str] = []
    above, signature = _without_signature(above)
    for line, is_own in (*_unquoted(above), *((each, False) for each in signature), *_quoted(below, known)):
        (kept if is_own else dropped).append(line)
    return OwnWords(
        text=re.sub(r"\n{3,}", "\n\n", "\n".join(kept)).strip(),
        left_out="\n".join(each for each in dropped if each.strip()),
        signature="\n".join(signature),
    )


def without_prefix(subject: str, ours: Sequence[str]) -> str:
    """Return the subject line as far as it is the sender's own: "" for ours, with `Re:` or without."""
    bare = re.sub(r"^(\s*(re|aw|rv|fwd?|tr|sv|antw|odp|ref)\s*(\[\d+\])?\s*:\s*)+", "", subject, flags=re.IGNORECASE)
    words = _words(bare)
    return "" if not words or words in [_words(each) for each in ours] else bare.strip()


class _Ours:
    """Our texts as words, and how far the quoted lines went through each."""

    def __init__(self, texts: Sequence[str]) -> None:
        self._texts = [" " + " ".join(_words(each)) + " " for each in texts]
        self._at = [0] * len(texts)

    def next_is(self, line: str) -> bool:
        """Say whether a line is ours: it begins one, goes on where the last one ended, or is too long to be chance.

        Each of our words is quoted once: who repeats a sign after the quote means it.
        """
        words = _words(line)
        wanted = f" {' '.join(words)} "
        for number, text in enumerate(self._texts):
            at = self._at[number]
            found = at if text.startswith(wanted, at) else -1
            if found < 0 and len(words) >= _SURE_WORDS:
                found = text.find(wanted, at)
            if found >= 0 and words:
                self._at[number] = found + len(wanted) - 1
                return True
        return False


def _halves(text: str) -> tuple[list[str], list[str]]:
    """Return the lines above the first quote and the rest, the line that introduces it first."""
    parts = quote(text, limit=_ALL_LINES, quote_intro_line=True)
    above = parts[0][1].split("\n")
    below = parts[1][1].split("\n") if len(parts) > 1 else []
    # Some programs put nothing but the old mail's headers before it, which the library looks for in forwards only.
    headers = next((at for at in range(len(above)) if _are_headers(above[at : at + _HEADER_LINES])), None)
    return (above, below) if headers is None else (above[:headers], above[headers:] + below)


def _are_headers(lines: Sequence[str]) -> bool:
    """Say whether these lines are the headers of an older mail, its sender first."""
    first = lines[0].strip() if lines else ""
    return bool(_FROM.match(first)) and sum(bool(_HEADER.match(line.strip())) for line in lines) >= _SURE_HEADERS


def _unquoted(lines: Sequence[str]) -> Iterator[tuple[str, bool]]:
    """Yield each line above the first quote and whether it is the sender's own.

    A single mark at the front may be a sign for "more than" (">38").
    """
    marked = sum(map(_is_marked, lines))
    for line in lines:
        yield line, not _is_marked(line) or marked == 1


def _quoted(lines: Sequence[str], known: _Ours) -> Iterator[tuple[str, bool]]:
    """Yield each line from the first quote on and whether it is the sender's own."""
    intro = _intro_length(lines)
    below = []
    for line in lines[intro:]:
        is_ours = known.next_is(line.lstrip("> "))
        below.append((line, not is_ours and not _is_marked(line)))
    # Where nothing is quoted, what looked like an introduction ("On Monday my wife wrote:") was the sender's own.
    is_quote = any(line.strip() and not is_own for line, is_own in below)
    yield from ((line, not is_quote) for line in lines[:intro])
    yield from below


def _is_marked(line: str) -> bool:
    return line.lstrip().startswith(">")


def _intro_length(lines: Sequence[str]) -> int:
    """Return how many lines introduce a quote: "On … wrote:", or a separator, and the old mail's headers."""
    ends = (
        at + 1
        for at, line in enumerate(lines[:_INTRO_LINES])
        if line.strip().endswith((":", ":*")) or _HEADER.match(line.strip())
    )
    # A separator without more is one line; "On Monday, somebody with a long name\n<…> wrote:" is two.
    length = next(ends, min(1, len(lines)))
    while length < len(lines) and (not lines[length].strip() or _HEADER.match(lines[length].strip())):
        length += 1
    return length


def _without_signature(lines: Sequence[str]) -> tuple[list[str], list[str]]:
    """Return the lines without a signature in its standard form, and the signature."""
    rest = list(lines)
    while rest and not rest[-1].strip():
        rest.pop()
    for at in range(len(rest) - 1, max(-1, len(rest) - 2 - _SIGNATURE_LINES), -1):
        if _DELIMITER.match(rest[at]) and not any("?" in line for line in rest[at:]):
            return rest[:at], rest[at:]
    if len(rest) > 1 and _SENT_FROM.match(rest[-1].strip()):
        return rest[:-1], rest[-1:]
    return rest, []


def _words(text: str) -> list[str]:
    return _WORD.findall(text.casefold())
