"""What a text has to hold: whom to call, how to stop, and how a question is answered."""

from __future__ import annotations

import re
from collections.abc import Iterator
from enum import StrEnum

from reminders.care.values import Asks
from reminders.sentences import english
from reminders.wording.facts import Sender
from reminders.wording.review.flaws import Flaw
from reminders.wording.review.word_lists import ReviewWords


class Role(StrEnum):
    """What a text is for, which decides what it must hold and how long it may be."""

    DESK = "desk"  # the first message: who writes, whom to call, how to stop
    WARNING = "warning"  # the signs that need a call
    REMINDER = "reminder"


MOST_SEGMENTS = {Role.DESK: 3, Role.WARNING: 3, Role.REMINDER: 2}
"""Parts of an SMS for each kind of text (common practice, no source)."""


def part_flaws(text: str, role: Role, sender: Sender, words: ReviewWords) -> Iterator[Flaw]:
    """Yield what a desk message or a text of warning signs lacks; an e-mail is given with its frame."""
    if role is Role.REMINDER:
        return
    if sender.practice_phone not in text:
        yield Flaw(rule="whom_to_call", message=english("does not give the practice's phone number"))
    if not re.search(rf"(?<!\d){re.escape(sender.emergency_number)}(?!\d)", text):
        yield Flaw(rule="whom_to_call", message=english("does not give the emergency number"))
    if role is not Role.DESK:
        return
    if sender.practice_name not in text:
        yield Flaw(rule="who_writes", message=english("does not name the practice (47 CFR 64.1200(b)(1))"))
    if not re.search(rf"(?<!\w){re.escape(words.stop)}(?!\w)", text):
        yield Flaw(
            rule="way_to_stop",
            message=english("does not say how to stop: {stop} (47 CFR 64.1200(a)(10))").format(stop=words.stop),
        )
    if not any(phrase in " ".join(text.lower().split()) for phrase in words.not_for_emergencies):
        yield Flaw(rule="not_for_emergencies", message=english("does not say that it is not for emergencies"))


def question_flaws(text: str, asks: Asks | None, words: ReviewWords) -> Iterator[Flaw]:
    """Yield how a question and the answer that is expected fail to fit; `text` is the body without its frame."""
    has_yes, has_no = (_is_word(word, text) for word in (words.yes, words.no))
    if asks is Asks.YES_NO and not (has_yes and has_no):
        yield _question(english("asks for {yes} or {no}, but does not say so").format(yes=words.yes, no=words.no))
    if asks is Asks.PAIN and not (_is_word("0", text) and _is_word("10", text)):
        yield _question(english("asks for the pain, but does not name 0 and 10"))
    if asks is Asks.VISIT and not _is_word(words.confirm, text):
        yield _question(english("asks to confirm the visit, but does not say {confirm}").format(confirm=words.confirm))
    if asks is not Asks.YES_NO and has_yes:
        yield Flaw(
            rule="question",
            message=english("says {yes}, but the plan expects no such answer").format(yes=words.yes),
            snippet=words.yes,
        )
    if asks in {Asks.YES_NO, Asks.PAIN} and len(re.findall(r"[?？؟]", text)) != 1:
        yield _question(english("a check-in asks exactly one question, or its answer is not clear"))


def _is_word(word: str, text: str) -> bool:
    return re.search(rf"(?<![\w.,]){re.escape(word)}(?!\w)", text) is not None


def _question(message: str) -> Flaw:
    return Flaw(rule="question", message=message)
