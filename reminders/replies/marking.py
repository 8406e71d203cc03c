"""How a reply is shown with the words that were found in it marked, for a terminal or plain reading."""

from __future__ import annotations

from collections.abc import Callable

from reminders.replies.labels import Evidence, Triage


def mark(text: str, result: Triage, *, retold: Callable[[str], str] = str) -> str:
    """Show the text with found words in `[words: sign]` and denied ones in `(words: sign, why)`.

    `retold` puts the name of a sign, and why it does not count, into another language.

    Where evidence overlaps the longest comes first and the others are left out. Without evidence the text is unchanged.
    """
    spans = [(one, "[", "]", retold(_name(one))) for one in result.why]
    spans += [(one, "(", ")", f"{retold(_name(one))}, {retold(one.note)}") for one in result.denied]
    spans.sort(key=lambda span: (span[0].start, -span[0].end))
    parts: list[str] = []
    done = 0
    for one, left, right, said in spans:
        if one.start < done or one.start == one.end:
            continue
        parts += [text[done : one.start], f"{left}{one.words}: {said}{right}"]
        done = one.end
    return "".join([*parts, text[done:]])


def _name(one: Evidence) -> str:
    return one.rule.partition(".")[2].replace("_", " ") or one.rule
