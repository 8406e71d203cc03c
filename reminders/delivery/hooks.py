"""Believes a gateway's call or not, and reads what it says. Pure: the web layer gives the call as a value."""

from __future__ import annotations

import base64
import binascii
import hmac
import ipaddress
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import Generic, TypeVar
from urllib.parse import parse_qsl

from python_multipart.exceptions import FormParserError
from python_multipart.multipart import Field, parse_form

from reminders.config_hooks import WHOLE_BODY, HookAuthSection, ReceiptHookSection, ReplyHookSection
from reminders.delivery.incoming import Arrival, IncomingReply, Receipt
from reminders.delivery.numbers import to_e164
from reminders.delivery.transports.http_answer import at_path, spelled
from reminders.errors import ReminderError
from reminders.records.storable import storable

Brought = TypeVar("Brought")
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


@dataclass(frozen=True, kw_only=True)
class Read(Generic[Brought]):
    """What a call brings; most bring one."""

    found: tuple[Brought, ...]
    faults: tuple[str, ...]
    """Why some of it can't be read."""


def read_replies(mapping: ReplyHookSection, call: HookCall, *, region: str) -> Read[IncomingReply]:
    """Return the replies that a call brings; an empty text is one, too. NotReadable when none can be read.

    One can't when its sender or text are missing.
    """
    return _each(mapping, call, lambda fields: _reply(mapping, fields, region))


def read_receipts(mapping: ReceiptHookSection, call: HookCall, *, transport: str = "http") -> Read[Receipt]:
    """Return the receipts that a call brings. NotReadable when none can be read.

    One can't when it names no message or no status.
    """
    return _each(mapping, call, lambda fields: _receipt(mapping, fields, transport))


def _each(
    mapping: ReplyHookSection | ReceiptHookSection, call: HookCall, read: Callable[[object], Brought]
) -> Read[Brought]:
    fields = _fields(call)
    several = fields if mapping.each in {"", WHOLE_BODY} else at_path(fields, mapping.each)
    if several is None and not mapping.only:
        raise NotReadable("the call has no list where the configuration says")
    found, faults = [], []
    for each in several if mapping.each and isinstance(several, list) else [several]:
        if any(_find(each, path) != value for path, value in mapping.only.items()):
            continue
        try:
            found.append(read(each))
        except NotReadable as error:
            faults.append(str(error))
    if faults and not found:
        raise NotReadable(faults[0])
    return Read(found=tuple(found), faults=tuple(faults))


def _reply(mapping: ReplyHookSection, fields: object, region: str) -> IncomingReply:
    sender, text = _find(fields, mapping.sender), _find(fields, mapping.text)
    if not sender or not sender.strip() or text is None:
        raise NotReadable("the call has no sender or no text where the configuration says")
    ref = _find(fields, mapping.id) if mapping.id else None
    return IncomingReply(channel="sms", sender=to_e164(sender, region=region), text=text, gateway_ref=ref or None)


def _receipt(mapping: ReceiptHookSection, fields: object, transport: str) -> Receipt:
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


def _fields(call: HookCall) -> object:
    """Return what a call holds: JSON as it is, or the fields of a form and of the query."""
    header = call.headers.get("content-type", "")
    kind = header.partition(";")[0].strip().lower()
    if call.body and re.fullmatch(r"\w+/(.*\+)?json", kind):
        try:
            return json.loads(call.body)
        except (ValueError, RecursionError):  # the second of brackets within brackets without an end
            raise NotReadable("the body is not the JSON that it says it is") from None
    if call.body and kind == "multipart/form-data":
        return {**call.query, **_parts(header, call.body)}
    if call.body and kind not in {"", "application/x-www-form-urlencoded", "text/plain"}:
        raise NotReadable(f"a body of the kind {kind[:60]!r} is not known")
    form = "" if kind == "text/plain" else call.body.decode("utf-8", "replace")
    return {**call.query, **dict(parse_qsl(form, keep_blank_values=True))}


def _parts(content_type: str, body: bytes) -> dict[str, str]:
    """Return the fields of a multipart form (RFC 7578) without its files."""
    fields: dict[str, str] = {}

    def keep(field: Field) -> None:
        fields[(field.field_name or b"").decode("utf-8", "replace")] = (field.value or b"").decode("utf-8", "replace")

    try:
        parse_form({"Content-Type": content_type.encode("latin-1", "replace")}, BytesIO(body), keep, None)
    except FormParserError:
        raise NotReadable("the body is not the form that it says it is") from None
    return fields


def _find(fields: object, path: str) -> str | None:
    """Return what stands at a path; a form's field may have dots in its name."""
    value = fields[path] if isinstance(fields, dict) and path in fields else at_path(fields, path)
    return None if value is None or isinstance(value, dict | list) else storable(spelled(value))
