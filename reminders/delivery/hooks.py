"""Believes a gateway's call or not, and reads what it says. Pure: the web layer gives the call as a value."""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import ipaddress
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from urllib.parse import parse_qsl

from reminders.config_hooks import HookAuthSection, ReceiptHookSection, ReplyHookSection
from reminders.delivery.incoming import Arrival, IncomingReply, Receipt
from reminders.delivery.numbers import to_e164
from reminders.delivery.transports.http_answer import at_path
from reminders.errors import ReminderError
from reminders.records.storable import storable


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


def sign(secret: bytes, timestamp: str, body: bytes) -> str:
    """Return the signature of a call: HMAC-SHA256 (RFC 2104) over timestamp, a dot and the raw body, in hexadecimal."""
    return hmac.new(secret, timestamp.encode() + b"." + body, hashlib.sha256).hexdigest()


def read_reply(mapping: ReplyHookSection, call: HookCall, *, region: str) -> IncomingReply:
    """Return the reply that a call brings; an empty text is one, too. NotReadable when sender or text are missing."""
    fields = _fields(call)
    sender, text = _find(fields, mapping.sender), _find(fields, mapping.text)
    if not sender or not sender.strip() or text is None:
        raise NotReadable("the call has no sender or no text where the configuration says")
    ref = _find(fields, mapping.id) if mapping.id else None
    return IncomingReply(channel="sms", sender=to_e164(sender, region=region), text=text, gateway_ref=ref or None)


def read_receipt(mapping: ReceiptHookSection, call: HookCall, *, transport: str = "http") -> Receipt:
    """Return the receipt that a call brings; NotReadable when it names no message or no status."""
    fields = _fields(call)
    ref = _find(fields, mapping.id) if mapping.id else None
    key = _find(fields, mapping.key) if mapping.key else None
    status = _find(fields, mapping.status)
    if not (ref or key) or not status:
        raise NotReadable("the call has no message or no status where the configuration says")
    reason = (_find(fields, mapping.reason) if mapping.reason else None) or ""
    bad_address = status in mapping.bad_address or reason in mapping.bad_address
    if status in mapping.delivered:
        arrival = Arrival.DELIVERED
    else:
        arrival = Arrival.FAILED if status in mapping.failed or bad_address else Arrival.UNDERWAY
    return Receipt(
        transport=transport,
        arrival=arrival,
        ref="".join(ref.split()) if ref else None,
        key=key or None,
        detail=f"{status}: {reason}"[:200] if reason else status[:200],
        bad_address=bad_address,
    )


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
    timestamp = call.headers.get(guard.timestamp_header, "")
    if not (timestamp.isascii() and timestamp.isdecimal() and len(timestamp) <= 12):
        raise NotBelieved("the call has no time stamp in seconds")
    if abs(now.timestamp() - int(timestamp)) > guard.replay_seconds:
        raise NotBelieved("the call's time stamp is too far from now")
    given = call.headers.get(guard.signature_header, "").removeprefix(guard.prefix).lower().encode()
    expected = [sign(secret, timestamp, call.body).encode() for secret in guard.secrets]
    fits = [hmac.compare_digest(given, each) for each in expected]  # all of them: how long it takes tells nothing
    if not any(fits):
        raise NotBelieved("the signature is wrong")


def _fields(call: HookCall) -> object:
    """Return what a call holds: JSON as it is, or the fields of a form and of the query."""
    kind = call.headers.get("content-type", "").partition(";")[0].strip().lower()
    if call.body and (kind == "application/json" or kind.endswith("+json")):
        try:
            return json.loads(call.body)
        except (ValueError, RecursionError):  # the second of brackets within brackets without an end
            raise NotReadable("the body is not the JSON that it says it is") from None
    if call.body and kind not in {"", "application/x-www-form-urlencoded", "text/plain"}:
        raise NotReadable(f"a body of the kind {kind[:60]!r} is not known")
    form = "" if kind == "text/plain" else call.body.decode("utf-8", "replace")
    return {**call.query, **dict(parse_qsl(form, keep_blank_values=True))}


def _find(fields: object, path: str) -> str | None:
    """Return what stands at a path; a form's field may have dots in its name."""
    value = fields[path] if isinstance(fields, dict) and path in fields else at_path(fields, path)
    return None if value is None or isinstance(value, dict | list) else storable(str(value))
