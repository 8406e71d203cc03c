"""How a value is sealed: against published vectors, and so that whatever was changed is noticed and nothing is told."""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import replace

import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from hypothesis import given
from hypothesis import strategies as st

from reminders.errors import ConfigError, ReminderError, SealError
from reminders.records.keyring import FORMAT, HEADER_BYTES, Key, Keyring, derived, key_of
from reminders.records.sealed_types import HASH_BYTES, Seals
from tests.servers import KEYS

PLACE = b"patient.first_name"
SECRET = "Zebedee Quillfeather"


def test_keys_are_derived_as_rfc_5869_says() -> None:
    # RFC 5869 appendix A.3: SHA-256, no salt, no info
    expected = "8da4e775a563c18f715f802a063c5a31b8a11f5c5ee1879ec3454e5f3c738d2d9d201395faa4b61a96c8"
    assert derived(b"\x0b" * 22, b"", 42).hex() == expected


def test_the_cipher_gives_what_the_authors_of_gcm_published() -> None:
    # McGrew and Viega, The Galois/Counter Mode of Operation, appendix B, test case 16: 256 bits, with associated data
    cipher = type(KEYS.current.cipher)(bytes.fromhex("feffe9928665731c6d6a8f9467308308" * 2))
    plain = bytes.fromhex(
        "d9313225f88406e5a55909c5aff5269a86a7a9531534f7da2e4c303d8a318a72"
        "1c3c0c95956809532fcf0e2449a6b525b16aedf5aa0de657ba637b39"
    )
    bound = bytes.fromhex("feedfacedeadbeeffeedfacedeadbeefabaddad2")
    sealed = cipher.encrypt(bytes.fromhex("cafebabefacedbaddecaf888"), plain, bound)
    assert sealed.hex() == (
        "522dc1f099567d07f47f37a32a84427d643a8cdcbfe5c0c97598a2bd2555d1aa"
        "8cb08e48590dbb3da7b08b1056828838c5f61e6393ba7a0abcc9f662"
        "76fc6ece0f4e1768cddf8853bb2d551b"
    )


def test_addresses_are_hashed_by_hmac_with_sha_256() -> None:
    # RFC 4231 section 4.3, test case 2, cut to the bytes that are kept
    seals = Seals(keyring=KEYS, look_up_key=b"Jefe")
    expected = bytes.fromhex("5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843")
    assert seals.hash("what do ya want for nothing?") == expected[:HASH_BYTES]


def test_a_sealed_value_has_the_documented_form() -> None:
    """Read by nothing but the standard library and the bare cipher, as somebody would who has a key and no program."""
    sealed = KEYS.seal(PLACE, SECRET.encode())
    head, nonce, rest = sealed[:5], sealed[5:17], sealed[17:]
    extracted = hmac.digest(bytes(32), bytes(range(32)), hashlib.sha256)
    key = hmac.digest(extracted, b"reminders sealing\x01", hashlib.sha256)
    assert head == bytes((FORMAT,)) + bytes.fromhex(KEYS.current.id)
    assert AESGCM(key).decrypt(nonce, rest, head + PLACE).decode() == SECRET


def test_what_was_sealed_long_ago_can_still_be_opened() -> None:
    sealed = "f94bd52bfb38ef38b8fa33ba07b98aac05a21e64a3ba9065f3101c4297411d3a97986e73be253d681a"
    assert KEYS.open(PLACE, bytes.fromhex(sealed)).decode() == "Robin ñ"


@given(st.binary(max_size=400))
def test_what_is_sealed_opens_to_the_same(plain: bytes) -> None:
    sealed = KEYS.seal(PLACE, plain)
    assert KEYS.open(PLACE, sealed) == plain
    assert key_of(sealed) == KEYS.current.id


@given(st.lists(st.none() | st.binary(max_size=40), max_size=30))
def test_many_are_sealed_as_one_is(plain: list[bytes | None]) -> None:
    sealed = KEYS.seal_all(PLACE, plain)
    assert [None if each is None else KEYS.open(PLACE, each) for each in sealed] == plain


@given(st.text(max_size=100))
def test_no_text_is_taken_for_something_sealed(text: str) -> None:
    assert key_of(text.encode()) is None


@given(st.integers(min_value=0), st.integers(1, 255))
def test_any_changed_byte_is_noticed_and_nothing_is_told(place: int, change: int) -> None:
    sealed = bytearray(KEYS.seal(PLACE, SECRET.encode()))
    sealed[place % len(sealed)] ^= change
    with pytest.raises((SealError, ConfigError)) as caught:
        KEYS.open(PLACE, bytes(sealed))
    _tells_nothing(caught.value)


@given(st.integers(0, 52))
def test_a_value_that_was_cut_is_noticed(length: int) -> None:
    sealed = KEYS.seal(PLACE, SECRET.encode())
    assert len(sealed) == 53
    with pytest.raises(SealError) as caught:
        KEYS.open(PLACE, sealed[:length])
    _tells_nothing(caught.value)


def test_a_value_moved_to_another_column_is_noticed() -> None:
    sealed = KEYS.seal(b"patient.last_name", SECRET.encode())
    with pytest.raises(SealError, match=r"patient\.first_name was changed, or moved there") as caught:
        KEYS.open(PLACE, sealed)
    _tells_nothing(caught.value)


def test_a_value_that_nobody_sealed_is_refused_and_not_repeated() -> None:
    with pytest.raises(SealError, match="is not sealed") as caught:
        KEYS.open(PLACE, SECRET.encode())
    _tells_nothing(caught.value)


def test_without_its_key_nothing_opens_and_the_key_is_named() -> None:
    other = Keyring((Key.new(),))
    with pytest.raises(ConfigError, match=f"key {KEYS.current.id} is missing") as caught:
        other.open(PLACE, KEYS.seal(PLACE, SECRET.encode()))
    _tells_nothing(caught.value)


def test_a_key_of_the_same_id_and_another_secret_opens_nothing() -> None:
    impostor = Keyring((Key.new(),))
    (key,) = impostor.keys
    object.__setattr__(key, "header", KEYS.current.header)
    impostor = Keyring((key,))
    with pytest.raises(SealError):
        impostor.open(PLACE, KEYS.seal(PLACE, SECRET.encode()))


def test_no_two_values_share_a_nonce() -> None:
    one_by_one = [KEYS.seal(PLACE, b"x") for _ in range(20_000)]
    at_once = KEYS.seal_all(PLACE, [b"x"] * 200_000)
    nonces = {each[HEADER_BYTES : HEADER_BYTES + 12] for each in (*one_by_one, *at_once) if each}
    assert len(nonces) == 220_000


def test_older_keys_open_and_the_first_seals() -> None:
    newer = Key.new()
    both = Keyring((newer, KEYS.current))
    assert both.open(PLACE, KEYS.seal(PLACE, b"older")) == b"older"
    assert key_of(both.seal(PLACE, b"newer")) == newer.id


def test_a_program_that_runs_finds_a_key_that_was_added_meanwhile() -> None:
    keys = [KEYS.current]
    running = Keyring(keys, read_again=lambda: tuple(keys))
    keys.insert(0, Key.new())
    sealed = Keyring(tuple(keys)).seal(PLACE, b"newer")
    assert running.open(PLACE, sealed) == b"newer"
    assert running.current == keys[0]


def test_a_program_that_runs_seals_with_the_newest_key_once_the_keys_changed() -> None:
    keys = [KEYS.current]
    running = Keyring(keys, read_again=lambda: tuple(keys), stamp=lambda: len(keys))
    keys.insert(0, Key.new())
    running.keep_up()
    assert key_of(running.seal(PLACE, b"x")) == keys[0].id


def test_a_program_that_runs_goes_on_when_its_keys_are_taken_away() -> None:
    present = True

    def read() -> tuple[Key, ...]:
        if not present:
            raise ConfigError("there is no key file")
        return (Key.new(),)

    running = Keyring(KEYS.keys, read_again=read, stamp=lambda: present)
    present = False
    running.keep_up()
    assert running.open(PLACE, running.seal(PLACE, b"x")) == b"x"
    present = True
    running.keep_up()
    assert running.current not in KEYS.keys
    assert running.open(PLACE, KEYS.seal(PLACE, b"older")) == b"older"


def test_no_key_shows_itself() -> None:
    key = Key(b"0123456789abcdef" * 2)
    assert "0123456789abcdef" not in repr(key) + repr(Keyring((key,))) + repr(replace(Seals.of(KEYS, b"abcdef")))


def _tells_nothing(error: ReminderError) -> None:
    assert SECRET not in str(error)
    assert SECRET.split(maxsplit=1)[0] not in repr(error)
