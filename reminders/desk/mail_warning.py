"""Nobody is written to by e-mail before they were warned that it is not encrypted, in words that are on record.

A practice may write unencrypted e-mails to a patient who was told of the risk and still wants them: HHS, final rule of
25 Jan 2013, 78 FR 5566 at 5634, on 45 CFR 164.522(b) and 164.524(c) (from memory).
"""

from __future__ import annotations

import re

from reminders.errors import InputError
from reminders.words import gettext

_NAMES_ENCRYPTION = re.compile(
    "encrypt|encript|cifr|chiffr|crypt|cript|verschl[üu]ssel|szyfr|шифр|加密|암호|تشفير|مشفر|mã h[oó]a|mã hoá",
    re.IGNORECASE,
)
"""Parts of the words by which many languages say that something is or is not encrypted."""


class Unwarned(InputError):
    """The words recorded with a consent do not tell that e-mail is not encrypted."""

    def __init__(self) -> None:
        super().__init__(
            gettext(
                "the recorded words must tell that e-mail is not encrypted; read that out to the patient and record "
                "it, or leave e-mail out"
            )
        )


def require_warning(wording: str) -> None:
    """Raise Unwarned when the words of a consent to e-mail do not hold the warning."""
    if not _NAMES_ENCRYPTION.search(wording):
        raise Unwarned
