"""Passwords: which ones will do, and their Argon2id hashes (RFC 9106)."""

from __future__ import annotations

import unicodedata
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from reminders.errors import InputError
from reminders.words import gettext

SHORTEST = 15
"""NIST SP 800-63B-4 (2025) section 3.1.1.2: a password that is the only factor has 15 characters or more."""
LONGEST = 256
_FEWEST_DIFFERENT = 5

# Argon2id, 64 MiB, 3 passes, 4 lanes: the second recommended option of RFC 9106 section 4.
_HASHER = PasswordHasher()


def hash_password(password: str, *, about: tuple[str, ...] = ()) -> str:
    """Return the hash of a new password; InputError when it will not do. `about` must not be all that it says."""
    plain = _normal(password)
    if len(plain) < SHORTEST:
        raise InputError(
            gettext("a password has {fewest} characters or more; four or five words in a row do well", fewest=SHORTEST)
        )
    if len(plain) > LONGEST:
        raise InputError(gettext("a password has at most {most} characters", most=LONGEST))
    rest = plain.casefold()
    for word in sorted((each.casefold() for each in about if len(each) >= 3), key=len, reverse=True):
        rest = rest.replace(word, "")
    if len(set(plain)) < _FEWEST_DIFFERENT or len(rest) < SHORTEST // 2:
        raise InputError(gettext("this password is too easy to guess; take words that have nothing to do with you"))
    return _HASHER.hash(plain)


def is_password(password: str, kept: str | None) -> bool:
    """Say whether a password has the hash that is kept; takes as long when nothing is kept."""
    try:
        _HASHER.verify(kept or _nobodys(), _normal(password)[:LONGEST])
    except (VerificationError, InvalidHashError):
        return False
    return kept is not None


@cache
def _nobodys() -> str:
    return _HASHER.hash("nobody has this password")


def _normal(password: str) -> str:
    return unicodedata.normalize("NFKC", password)
