"""Knows how one value is sealed and opened: AES-256-GCM under one of several keys, bound to its column.

A sealed value is a format byte, the key's id (4 bytes), a random nonce (12), the ciphertext and its tag (16). The
format byte is none that UTF-8 text can begin with, so what is sealed and what is not can't be mistaken for each other.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from reminders.errors import ConfigError, SealError
from reminders.sentences import english

FORMAT = 0xF9
"""First byte of the one format there is."""
HEADER_BYTES = 5
SECRET_BYTES = 32
_ID_BYTES = 4
_NONCE_BYTES = 12  # NIST SP 800-38D section 8.2.2: random, 96 bits
_TAG_BYTES = 16


@dataclass(frozen=True)
class Key:
    """A secret of 32 random bytes, known by an id that follows from it: a mistyped one is noticed."""

    secret: bytes = field(repr=False)
    id: str = field(init=False)
    """Eight hexadecimal digits."""
    header: bytes = field(init=False, repr=False)
    """What everything sealed with it begins with."""
    cipher: AESGCM = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Derive what follows from the secret."""
        short = derived(self.secret, b"reminders key id", _ID_BYTES)
        object.__setattr__(self, "id", short.hex())
        object.__setattr__(self, "header", bytes((FORMAT,)) + short)
        object.__setattr__(self, "cipher", AESGCM(derived(self.secret, b"reminders sealing")))

    @classmethod
    def new(cls) -> Key:
        """Draw a key."""
        return cls(os.urandom(SECRET_BYTES))


class Keyring:
    """The keys there are, the first of which seals; safe to share between threads."""

    def __init__(
        self,
        keys: Sequence[Key],
        *,
        read_again: Callable[[], Sequence[Key]] | None = None,
        stamp: Callable[[], object] = lambda: None,
    ) -> None:
        """Hold `keys`; `read_again` gives those there are now, and `stamp` something that differs once they changed."""
        self._read_again, self._stamp = read_again, stamp
        self._reading = threading.Lock()
        self._taken_at = stamp()
        self._take(keys)

    @property
    def keys(self) -> tuple[Key, ...]:
        """Every key, the one that seals first."""
        return self._keys

    @property
    def current(self) -> Key:
        """The key that seals."""
        return self._keys[0]

    def seal(self, context: bytes, plain: bytes) -> bytes:
        """Return a value sealed for the column that `context` names."""
        key, nonce = self.current, os.urandom(_NONCE_BYTES)
        return key.header + nonce + key.cipher.encrypt(nonce, plain, key.header + context)

    def seal_all(self, context: bytes, values: Sequence[bytes | None]) -> list[bytes | None]:
        """Return many values of one column sealed, each for itself; None stays None."""
        key = self.current
        header, encrypt, bound = key.header, key.cipher.encrypt, key.header + context
        drawn = os.urandom(_NONCE_BYTES * len(values))  # one call to the system for all of them
        nonces = (drawn[at : at + _NONCE_BYTES] for at in range(0, len(drawn), _NONCE_BYTES))
        return [
            None if plain is None else header + nonce + encrypt(nonce, plain, bound)
            for plain, nonce in zip(values, nonces, strict=True)
        ]

    def open(self, context: bytes, sealed: bytes) -> bytes:
        """Return what was sealed for this column.

        ConfigError when its key is missing; SealError when it was changed, or stands in another column than it was
        sealed for, or is not sealed at all.
        """
        header = sealed[:HEADER_BYTES]
        if len(sealed) < HEADER_BYTES + _NONCE_BYTES + _TAG_BYTES or header[0] != FORMAT:
            raise SealError(
                english("a value in {column} is not sealed: the database was changed by something else").format(
                    column=context.decode()
                )
            )
        key = self._by_header.get(header) or self._found_again(header)
        nonce_ends = HEADER_BYTES + _NONCE_BYTES
        try:
            return key.cipher.decrypt(sealed[HEADER_BYTES:nonce_ends], sealed[nonce_ends:], header + context)
        except InvalidTag:
            raise SealError(
                english(
                    "a value in {column} was changed, or moved there from elsewhere, since it was sealed; take it "
                    "from a backup"
                ).format(column=context.decode())
            ) from None

    def open_all(self, context: bytes, sealed: Sequence[bytes]) -> list[bytes]:
        """Return many values of one column opened, in half the time; raises what `open` raises."""
        key, nonce_ends = self.current, HEADER_BYTES + _NONCE_BYTES
        header, decrypt, bound = key.header, key.cipher.decrypt, key.header + context
        try:
            return [
                decrypt(each[HEADER_BYTES:nonce_ends], each[nonce_ends:], bound)
                if each[:HEADER_BYTES] == header
                else self.open(context, each)
                for each in sealed
            ]
        except (InvalidTag, ValueError):  # `open` says which
            return [self.open(context, each) for each in sealed]

    def keep_up(self) -> None:
        """Take over keys that changed meanwhile, so that whoever runs all day seals with the newest.

        Keys that can't be read any more stop nobody who has them; the next start tells of it.
        """
        if self._stamp() != self._taken_at:
            with suppress(ConfigError):
                self._renew()

    def _renew(self) -> None:
        if self._read_again is not None:
            with self._reading:
                self._taken_at = self._stamp()
                found = self._read_again()
                self._take((*found, *(key for key in self._keys if key not in found)))

    def _found_again(self, header: bytes) -> Key:
        self._renew()
        found = self._by_header.get(header)
        if found is None:
            raise ConfigError(
                english(
                    "key {key_id} is missing: what it sealed can't be read without it; put it back among the keys "
                    "(`reminders keys status` lists those there are)"
                ).format(key_id=header[1:].hex())
            )
        return found

    def _take(self, keys: Sequence[Key]) -> None:
        if not keys:
            raise ConfigError(english("there is no key to seal with; run `reminders keys new`"))
        self._by_header = {key.header: key for key in keys}
        self._keys = tuple(keys)


def derived(secret: bytes, info: bytes, length: int = SECRET_BYTES) -> bytes:
    """Return a key for one purpose out of a secret (HKDF with SHA-256, RFC 5869)."""
    return HKDF(algorithm=SHA256(), length=length, salt=None, info=info).derive(secret)


def key_of(sealed: bytes) -> str | None:
    """Return the id of the key that sealed a value; None when it is not sealed."""
    return sealed[1:HEADER_BYTES].hex() if sealed[:1] == bytes((FORMAT,)) else None
