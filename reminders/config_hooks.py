"""The configuration of the hooks that a gateway calls: what a call must show, what it holds where, and its answer."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Literal

from pydantic import Field, model_validator

from reminders.config_parts import Network, Pattern, Secret, Section
from reminders.sentences import english

REPLIES_PATH = "/gateway/replies"
RECEIPTS_PATH = "/gateway/receipts"
WHOLE_BODY = "."
"""As a path: the JSON itself is the list."""


class HookAuthSection(Section):
    """What a call must show to be believed; everything named here is needed."""

    hmac_header: str = ""
    timestamp_header: str = ""
    """Holds the moment of the call: Unix time in seconds or milliseconds, or as ISO 8601."""
    hmac_prefix: str = ""
    """What stands before the signature in its header, such as `sha256=`."""
    hmac_pattern: Pattern = ""
    """In place of prefix and timestamp_header, where one header holds both: a pattern with the groups `timestamp` and
    `signature`."""
    hmac_hash: Literal["sha256", "sha512"] = "sha256"
    hmac_encoding: Literal["hexadecimal", "base64"] = "hexadecimal"
    hmac_signs: str = "{timestamp}.{body}"
    """What is signed."""
    hmac_secrets: tuple[Secret, ...] = Field(default=(), max_length=2)
    """One, or two while one takes over from the other."""
    replay_seconds: int = Field(default=300, ge=10, le=3600)
    user: str = ""
    password: Secret | None = None
    addresses: tuple[Network, ...] = ()
    """Networks that may call, IPv4 or IPv6."""

    @model_validator(mode="after")
    def _enough(self) -> HookAuthSection:
        signed = (bool(self.hmac_header), bool(self.timestamp_header or self.hmac_pattern), bool(self.hmac_secrets))
        if any(signed) and not all(signed):
            raise ValueError(english("a signature needs hmac_header, timestamp_header and hmac_secrets"))
        if self.hmac_pattern and {"timestamp", "signature"} - re.compile(self.hmac_pattern).groupindex.keys():
            raise ValueError(english("hmac_pattern needs the groups timestamp and signature"))
        if self.hmac_pattern and (self.timestamp_header or self.hmac_prefix):
            raise ValueError(english("hmac_pattern stands in place of timestamp_header and hmac_prefix"))
        if any(self.hmac_signs.count(part) != 1 for part in ("{timestamp}", "{body}")):
            raise ValueError(english("hmac_signs has to name both the time stamp and the body, once"))
        if bool(self.user) != (self.password is not None):
            raise ValueError(english("name both user and password, or neither"))
        if not (any(signed) or self.user or self.addresses):
            raise ValueError(english("anybody could call: ask for a signature, a password or an address"))
        return self


class ReplyHookSection(Section):
    """Where a call about a patient's reply holds what; each a dotted path in JSON, or a field of a form or query."""

    pattern: Pattern = ""
    """For bodies that are neither JSON nor a form, such as XML: a regular expression whose groups are the fields."""
    each: str = ""
    """Where a call holds a list of several, from each of which the other paths count. Empty: a call is about one."""
    only: Mapping[str, str] = Field(default_factory=dict)
    """What shows that a call, or one of its list, is about a reply: path and value. Others are passed over."""
    sender: str
    text: str
    id: str = ""


class ReceiptHookSection(Section):
    """Where a call about a sent message holds what, and what its statuses mean."""

    pattern: Pattern = ""
    """As for replies."""
    each: str = ""
    """Where a call holds a list of several, as for replies."""
    only: Mapping[str, str] = Field(default_factory=dict)
    """As for replies. With it in both hooks, either address takes what is for the other, too."""
    id: str = ""
    """The gateway's id of the message."""
    key: str = ""
    """Our own idempotency key, where the gateway gives it back."""
    status: str
    reason: str = ""
    delivered: tuple[str, ...] = Field(min_length=1)
    failed: tuple[str, ...] = Field(min_length=1)
    bad_address: tuple[str, ...] = ()
    """Failed, and nothing should be sent to that number any more: statuses, or reasons."""

    @model_validator(mode="after")
    def _named(self) -> ReceiptHookSection:
        if not (self.id or self.key):
            raise ValueError(english("name id or key: a receipt has to say which message it is about"))
        return self


class HookAnswerSection(Section):
    """What a call is answered once what it brought is stored; some gateways ask for words of their own."""

    body: str = Field(default="", max_length=1000)
    media_type: str = Field(default="text/plain", pattern=r"^[a-z]+/[a-z0-9.+-]+$")
