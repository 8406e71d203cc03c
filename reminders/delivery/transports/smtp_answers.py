"""Knows what a mail server's answers mean for a message: taken, never, or later."""

from __future__ import annotations

import re

from reminders.errors import Away, BadAddress, Refused, Throttled, Unreachable
from reminders.sentences import english

_ENHANCED = re.compile(rb"\s*([245])\.(\d{1,3})\.(\d{1,3})\b")

# RFC 3463 section 3.2 and 3.3, and RFC 7505 for 1.10. A full mailbox (2.2) is an address that works.
_BAD_ADDRESS = {
    (1, 1): english("there is no such mailbox"),
    (1, 2): english("there is no such mail domain"),
    (1, 3): english("the address is none"),
    (1, 6): english("the mailbox has moved"),
    (1, 10): english("the domain takes no mail"),
    (2, 1): english("the mailbox is disabled"),
}
_OTHERS = {
    (2, 2): english("the mailbox is full"),
    (2, 3): english("the message is too long for the mailbox"),
    (3, 4): english("the message is too long for the server"),
    (4, 1): english("the recipient's server does not answer"),
    (4, 7): english("the server could not pass it on in time"),
}
_SUBJECTS = {
    1: english("something is wrong with the address"),
    2: english("something is wrong with the mailbox"),
    3: english("something is wrong with the mail server"),
    4: english("something is wrong with the way there"),
    5: english("the server did not understand us"),
    6: english("the server can't take the content"),
    7: english("the server refuses it by its policy"),
}


def judge(code: int, text: bytes) -> Refused | Unreachable:
    """Return what an answer that is no success means (RFC 5321 section 4.2.1, RFC 3463).

    The server's own words are left out: they tend to repeat the address.
    """
    found = _ENHANCED.match(text)
    enhanced = (int(found[2]), int(found[3])) if found else None
    what = english("answer {code}").format(code=code)
    if found and enhanced:
        digits = found[0].strip().decode()
        what = english("answer {code} {digits}").format(code=code, digits=digits)
        if meaning := _BAD_ADDRESS.get(enhanced) or _OTHERS.get(enhanced) or _SUBJECTS.get(enhanced[0]):
            what = english("answer {code} {digits}: {why}").format(code=code, digits=digits, why=meaning)
    # The first digit decides; a server may name a class of its own in the longer code, but hardly ever another one.
    if code == 421:  # the server closes the connection, and would on any other message (RFC 5321 section 3.8)
        return Away(what)
    if code // 100 != 5:
        return Throttled(what) if is_complaint(code, text) else Unreachable(what)
    return BadAddress(what) if enhanced in _BAD_ADDRESS else Refused(what)


def meaning_of(status: str) -> tuple[str, bool]:
    """Return what an enhanced code (RFC 3463) means, in words, and whether nothing will ever arrive at that address.

    Only a permanent one, 5.x.x, speaks about the address for good. An empty or unknown code gives its digits alone.
    """
    found = _ENHANCED.match(status.encode())
    if found is None:
        return english("the mail server does not say why"), False
    enhanced = (int(found[2]), int(found[3]))
    words = _BAD_ADDRESS.get(enhanced) or _OTHERS.get(enhanced) or _SUBJECTS.get(enhanced[0])
    return f"{status}: {words}" if words else status, found[1] == b"5" and enhanced in _BAD_ADDRESS


def is_complaint(code: int, text: bytes) -> bool:
    """Tell whether we are too fast: 421 and 450 to 452 under "policy" or "system" (RFC 3463 section 3.8 and 3.4)."""
    found = _ENHANCED.match(text)
    return code in {421, 450, 451, 452} and found is not None and (found[2], found[3]) in {(b"7", b"0"), (b"3", b"2")}
