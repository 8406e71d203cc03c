"""Reads what a gateway's call brings, by the configuration's word: JSON, forms, or a text that a pattern fits."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import unescape
from io import BytesIO
from typing import Generic, TypeVar
from urllib.parse import parse_qsl

from python_multipart.exceptions import FormParserError
from python_multipart.multipart import Field, parse_form

from reminders.config_hooks import WHOLE_BODY, ReceiptHookSection, ReplyHookSection
from reminders.delivery.hooks import HookCall, NotReadable
from reminders.delivery.incoming import Arrival, IncomingReply, Receipt
from reminders.delivery.numbers import to_e164
from reminders.delivery.transports.http_answer import at_path, spelled
from reminders.records.storable import storable

Brought = TypeVar("Brought")
_LONGEST_TEXT = 20_000
"""Octets that a pattern is let loose on: it may look again from each of them."""


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
    found, faults = [], []
    for each in _brought(mapping, call):
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


def _brought(mapping: ReplyHookSection | ReceiptHookSection, call: HookCall) -> Sequence[object]:
    """Return the fields of each reply or receipt that a call brings."""
    if mapping.pattern:
        matches = _matches(mapping.pattern, call)
        if not matches and not mapping.only:
            raise NotReadable("the configured pattern fits nothing in the body")
        return matches
    fields = _fields(call)
    several = fields if mapping.each in {"", WHOLE_BODY} else at_path(fields, mapping.each)
    if several is None and not mapping.only:
        raise NotReadable("the call has no list where the configuration says")
    return several if mapping.each and isinstance(several, list) else [several]


def _matches(pattern: str, call: HookCall) -> list[dict[str, str]]:
    """Return the fields that a pattern finds in a text or in XML, each time that it fits."""
    header = call.headers.get("content-type", "").lower()
    if len(call.body) > _LONGEST_TEXT:
        raise NotReadable("the body is too long to be searched by a pattern")
    charset = re.search(r"charset=[\"']?([\w.:-]+)", header)
    try:
        text = call.body.decode(charset[1] if charset else "utf-8", "replace")
    except LookupError:
        text = call.body.decode("utf-8", "replace")
    found = [match.groupdict(default="") for match in re.finditer(pattern, text)]
    if "xml" not in header.partition(";")[0]:
        return found
    return [{name: unescape(value) for name, value in each.items()} for each in found]


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
