"""Believes a gateway's call or not. Pure: the web layer gives the call as a value."""

from __future__ import annotations

import base64
import binascii
import hmac
import ipaddress
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from reminders.config_hooks import HookAuthSection
from reminders.errors import ReminderError

_LONGEST_SIGNATURE = 1000
_MILLISECONDS_FROM = 100_000_000_000
"""As seconds that would be the year 5138."""


class NotBelieved(ReminderError):
    """The call does not show what the configuration asks for; answer it with 403 and nothing else."""


class NotReadable(ReminderError):
    """The call lacks what the configuration says is in it; answer it with 400."""


@dataclass(frozen=True, kw_only=True)
class HookCall:
    """A request as it arrived."""

    headers: Mapping[str, str]
    """Names in lower case."""
    query: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b""
    client: str = ""
    """The caller's address, as the server saw it; not what a header claims."""


@dataclass(frozen=True, kw_only=True)
class HookGuard:
    """What a call must show; everything that is set here."""

    signature_header: str = ""
    timestamp_header: str = ""
    prefix: str = ""
    pattern: str = ""
    """Where one header holds both time stamp and signature, as groups of these names; else empty."""
    hashed_by: str = "sha256"
    in_base64: bool = False
    signs: str = "{timestamp}.{body}"
    secrets: tuple[bytes, ...] = field(default=(), repr=False)
    replay_seconds: int = 300
    user: str = ""
    password: str = field(default="", repr=False)
    networks: tuple[ipaddress.IPv4Network | ipaddress.IPv6Network, ...] = ()


def guard_of(section: HookAuthSection, *, folder: Path) -> HookGuard:
    """Return the guard that a configuration asks for, with its secrets read; ConfigError when one is missing."""
    return HookGuard(
        signature_header=section.hmac_header.lower(),
        timestamp_header=section.timestamp_header.lower(),
        prefix=section.hmac_prefix,
        pattern=section.hmac_pattern,
        hashed_by=section.hmac_hash,
        in_base64=section.hmac_encoding == "base64",
        signs=section.hmac_signs,
        secrets=tuple(secret.read(folder).encode() for secret in section.hmac_secrets),
        replay_seconds=section.replay_seconds,
        user=section.user,
        password=section.password.read(folder) if section.password else "",
        networks=tuple(ipaddress.ip_network(each) for each in section.addresses),
    )


def verify(guard: HookGuard, call: HookCall, *, now: datetime) -> None:
    """Return when the call shows everything the guard asks for; NotBelieved, naming what is missing, when not.

    A guard that asks for nothing believes nobody.
    """
    if not (guard.networks or guard.user or guard.secrets):
        raise NotBelieved("nobody may call")
    if guard.networks and not _from_known_address(guard, call.client):
        raise NotBelieved("the caller's address is not on the list")
    if guard.user and not _has_password(guard, call.headers.get("authorization", "")):
        raise NotBelieved("user or password is wrong")
    if guard.secrets:
        _verify_signature(guard, call, now)


def signed_part(guard: HookGuard, call: HookCall) -> bytes:
    """Return what a call's signature is of: its time stamp and its raw body."""
    before, _, after = guard.signs.partition("{body}")
    timestamp, _ = _stamp_and_signature(guard, call)
    return b"".join(
        (
            before.replace("{timestamp}", timestamp).encode(),
            call.body,
            after.replace("{timestamp}", timestamp).encode(),
        )
    )


def digest(guard: HookGuard, secret: bytes, signed: bytes) -> bytes:
    """Return the HMAC (RFC 2104) of what is signed."""
    return hmac.new(secret, signed, guard.hashed_by).digest()


def _from_known_address(guard: HookGuard, client: str) -> bool:
    try:
        address = ipaddress.ip_address(client.partition("%")[0])
    except ValueError:
        return False
    # A server that listens on IPv6 sees IPv4 callers as ::ffff:192.0.2.1.
    if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is not None:
        address = address.ipv4_mapped
    return any(address in network for network in guard.networks)


def _has_password(guard: HookGuard, header: str) -> bool:
    scheme, _, encoded = header.partition(" ")
    try:
        given = base64.b64decode(encoded.strip(), validate=True)
    except (binascii.Error, ValueError):
        return False
    expected = f"{guard.user}:{guard.password}".encode()
    return scheme.lower() == "basic" and hmac.compare_digest(given, expected)


def _verify_signature(guard: HookGuard, call: HookCall, now: datetime) -> None:
    if call.query:
        raise NotBelieved("the signature does not cover what stands behind the question mark")
    timestamp, signature = _stamp_and_signature(guard, call)
    if abs(now.timestamp() - _moment(timestamp)) > guard.replay_seconds:
        raise NotBelieved("the call's time stamp is too far from now")
    given = _octets(signature, in_base64=guard.in_base64)
    signed = signed_part(guard, call)
    expected = [digest(guard, secret, signed) for secret in guard.secrets]
    fits = [hmac.compare_digest(given, each) for each in expected]  # all of them: how long it takes tells nothing
    if not any(fits):
        raise NotBelieved("the signature is wrong")


def _stamp_and_signature(guard: HookGuard, call: HookCall) -> tuple[str, str]:
    header = call.headers.get(guard.signature_header, "")[:_LONGEST_SIGNATURE]
    if not guard.pattern:
        return call.headers.get(guard.timestamp_header, ""), header.removeprefix(guard.prefix)
    found = re.search(guard.pattern, header)
    return (found["timestamp"] or "", found["signature"] or "") if found else ("", "")


def _moment(timestamp: str) -> float:
    """Return the Unix time, in seconds, that a call names."""
    if timestamp.isascii() and timestamp.isdecimal() and len(timestamp) <= 16:
        number = int(timestamp)
        return number / 1000 if number >= _MILLISECONDS_FROM else number
    try:
        written = datetime.fromisoformat(timestamp)
    except ValueError:
        raise NotBelieved("the call has no time stamp") from None
    if written.tzinfo is None:
        raise NotBelieved("the call's time stamp has no offset")
    return written.timestamp()


def _octets(signature: str, *, in_base64: bool) -> bytes:
    try:
        if in_base64:
            return base64.b64decode(signature.encode("ascii"), validate=True)
        return bytes.fromhex(signature)
    except ValueError:
        return b""
