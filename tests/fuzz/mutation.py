"""Inputs made from sound ones by small and large damage, the same for the same seed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from random import Random

_TOKENS = (
    b"\x00", b"\xff", b"\xfe\xff", b"\xef\xbb\xbf", b"\r\n", b"\n\n", b"\t", b" ", b"'", b'"', b"\\", b"%00", b"%s",
    b"{{7*7}}", b"../", b"<script>", b"]]>", b"-1", b"0", b"99999999999999999999", b"1e400", b"NaN", b"null", b"true",
    b"[", b"]", b"{", b"}", b"\xf0\x9f\x98\xb7", "\u202e".encode(), "\u0130".encode(), "e\u0301".encode(),
    b"\xed\xa0\x80", b"=?utf-8?q?=", b"--", b";", b"|", b"^", b"~", b"&", b",", b"MSH", b"\x1b", b"\x7f",
)  # fmt: skip


def damaged(seeds: Sequence[bytes], random: Random) -> Iterator[bytes]:
    """Give sound inputs damaged a little or much, without end."""
    while True:
        octets = bytearray(random.choice(seeds))
        for _ in range(random.choice((1, 1, 2, 4, 16))):
            _damage(octets, seeds, random)
        yield bytes(octets)


def _damage(octets: bytearray, seeds: Sequence[bytes], random: Random) -> None:
    at = random.randrange(len(octets) + 1)
    end = min(len(octets), at + random.choice((1, 2, 8, 64, 1024)))
    match random.randrange(7):
        case 0 if octets:
            octets[at - 1] = random.randrange(256)
        case 1:
            octets[at:at] = random.choice(_TOKENS)
        case 2:
            del octets[at:end]
        case 3:
            octets[at:at] = octets[at:end] * random.choice((1, 2, 50))
        case 4:
            other = random.choice(seeds)
            start = random.randrange(len(other) + 1)
            octets[at:end] = other[start : start + random.choice((4, 64, 1024))]
        case 5:
            octets[at:end] = random.randbytes(end - at)
        case _:
            octets[at:end] = octets[at:end][::-1]
    del octets[20_000:]
