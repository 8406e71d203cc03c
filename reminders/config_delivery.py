"""The configuration of the ways out: mail server, message centre, gateway."""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from reminders.care.pacing import Limit
from reminders.config_hooks import HookAnswerSection, HookAuthSection, ReceiptHookSection, ReplyHookSection
from reminders.config_parts import Pattern, Secret, Section, is_this_computer
from reminders.sentences import english

_SECONDS = {"second": 1, "minute": 60, "hour": 3600, "day": 86_400}


def _http_url(text: str) -> str:
    if not re.fullmatch(r"https?://[^\s/?#]+[^\r\n]*", text):
        raise ValueError(english("must be an http:// or https:// address"))
    return text


def _code(text: str) -> str:
    if not re.fullmatch(r"[1-5](xx|\d\d)", text):
        raise ValueError(english("an HTTP code is like 202, a class of them like 2xx"))
    return text


HttpUrl = Annotated[str, AfterValidator(_http_url)]
Codes = tuple[Annotated[str, AfterValidator(_code)], ...]
Port = Annotated[int, Field(ge=1, le=65535)]
Host = Annotated[str, Field(min_length=1, max_length=253, pattern=r"^\S+$")]
FolderName = Annotated[str, Field(min_length=1, max_length=100, pattern=r"^[ -~]+$")]
"""Of a mail server; other letters would need its own coding of them (RFC 3501 section 5.1.3)."""
Rate = Annotated[str, Field(pattern=r"^[1-9]\d{0,6}/(second|minute|hour|day)$")]
AnswerSeconds = Annotated[float, Field(gt=0, le=50)]
"""A hand-over has to end within half the shortest lease that is of use."""


def _limits(rates: tuple[str, ...]) -> tuple[Limit, ...]:
    parted = (rate.partition("/") for rate in rates)
    return tuple(sorted(Limit(most=int(most), seconds=_SECONDS[unit]) for most, _, unit in parted))


class SmtpSection(Section):
    """The mail server that takes our e-mail."""

    host: Host
    port: Port | None = None
    """587 with STARTTLS, 465 with TLS, 25 without."""
    tls: Literal["starttls", "tls", "none-on-loopback"] = "starttls"
    ca_file: Path | None = None
    """Certificates to trust in place of the system's."""
    user: str = ""
    password: Secret | None = None
    envelope_sender: str = ""
    """Where bounces go; where replies go when empty."""
    timeout_seconds: AnswerSeconds = 30
    per_connection: int = Field(default=100, ge=1, le=10_000)
    """Messages after which a new connection is made; many servers allow no more."""

    @model_validator(mode="after")
    def _safe(self) -> SmtpSection:
        if self.tls == "none-on-loopback" and not is_this_computer(self.host):
            raise ValueError(
                english("tls: {host} is not this machine; patients' mail must be encrypted on the way").format(
                    host=self.host
                )
            )
        if bool(self.user) != (self.password is not None):
            raise ValueError(english("name both user and password, or neither"))
        return self

    @property
    def longest_seconds(self) -> float:
        """How long a hand-over may take."""
        return self.timeout_seconds


class SmppSection(Section):
    """The message centre that takes our SMS."""

    host: Host
    port: Port | None = None
    """3550 with TLS, 2775 without."""
    tls: Literal["tls", "none-on-loopback", "none-in-tunnel"] = "tls"
    """`none-in-tunnel` says that the way there is a private network or a VPN."""
    ca_file: Path | None = None
    system_id: Annotated[str, Field(min_length=1, max_length=15)]
    password: Secret
    system_type: Annotated[str, Field(max_length=12)] = ""
    sender: Annotated[str, Field(min_length=1, max_length=20)]
    """Our number with +, our short code, or a name of up to 11 letters."""
    sender_ton: Annotated[int, Field(ge=0, le=6)] | None = None
    sender_npi: Annotated[int, Field(ge=0, le=18)] | None = None
    window: int = Field(default=10, ge=1, le=1000)
    """Requests without an answer at once; SMPP 3.4 section 2.9 advises 10 at most (from memory)."""
    long_messages: Literal["udh", "message_payload"] = "udh"
    wide_reference: bool = False
    """Number the parts of long messages with 16 bits rather than 8."""
    incoming_alphabet: Literal["gsm7", "latin1"] = "gsm7"
    """What the message centre means by its default alphabet in what it sends us."""
    answer_ids: Literal["text", "decimal", "hexadecimal"] = "text"
    receipt_ids: Literal["text", "decimal", "hexadecimal"] = "text"
    """How message ids are written in answers and in receipts; some centres use one radix here and another there."""
    connect_seconds: AnswerSeconds = 10
    answer_seconds: AnswerSeconds = 20
    enquire_seconds: int = Field(default=30, ge=1, le=600)
    longest_pause_seconds: int = Field(default=60, ge=1, le=3600)
    """Between tries to connect."""

    @model_validator(mode="after")
    def _safe(self) -> SmppSection:
        if self.tls == "none-on-loopback" and not is_this_computer(self.host):
            raise ValueError(
                english("tls: {host} is not this machine; patients' messages must be encrypted on the way").format(
                    host=self.host
                )
            )
        if (self.answer_ids == "text") != (self.receipt_ids == "text"):
            raise ValueError(english("give both answer_ids and receipt_ids a radix, or neither"))
        return self

    @property
    def longest_seconds(self) -> float:
        """How long a hand-over may take."""
        return self.connect_seconds + self.answer_seconds


class HttpAuthSection(Section):
    """How the gateway knows us."""

    kind: Literal["basic", "bearer"]
    user: str = ""
    secret: Secret


class HttpAnswerSection(Section):
    """What the gateway's answers mean."""

    form: Literal["json", "text"] = "json"
    id: str = ""
    """Where the answer holds the message's id: a dotted path in JSON, such as `messages.0.id`. Empty: our own key."""
    status: str = ""
    """Where it holds the status, likewise. Empty: the HTTP code says it all."""
    id_header: str = ""
    """The header that holds the message's id, if one does; of an address (`Location`), its last part."""
    pattern: Pattern = ""
    """For answers in plain text: a regular expression with the groups `id` and `status`, either may be missing."""
    accepted: tuple[str, ...] = ()
    refused: tuple[str, ...] = ()
    bad_address: tuple[str, ...] = ()
    """Refused, and nothing should be sent to that number any more."""
    later: tuple[str, ...] = ()
    throttled: tuple[str, ...] = ()
    accepted_codes: Codes = ("2xx",)
    refused_codes: Codes = ("400", "404", "410", "413", "422")
    bad_address_codes: Codes = ()
    later_codes: Codes = ("3xx", "401", "402", "403", "407", "408", "425", "503")
    throttled_codes: Codes = ("429",)

    @model_validator(mode="after")
    def _whole(self) -> HttpAnswerSection:
        if self.form == "json" and self.pattern:
            raise ValueError(english("pattern is for answers in plain text; use id and status"))
        if self.form == "text" and (self.id or self.status):
            raise ValueError(english("id and status are for JSON; use pattern"))
        if self.id and self.id_header:
            raise ValueError(english("name id or id_header, not both"))
        if self.status and not self.accepted:
            raise ValueError(english("accepted: name the statuses that mean accepted"))
        return self


class HttpStatusSection(Section):
    """How to ask the gateway what became of a message."""

    url: HttpUrl
    """A template like the one of the message; `key` is all there is to name it by."""
    headers: Mapping[str, str] = Field(default_factory=dict)
    """Each a template likewise."""
    form: Literal["json", "text"] = "json"
    id: str = ""
    status: str = ""
    pattern: Pattern = ""
    """As for answers."""
    went_out: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()
    absent_codes: Codes = ("404",)

    @model_validator(mode="after")
    def _telling(self) -> HttpStatusSection:
        if not (self.pattern if self.form == "text" else self.id or self.status):
            raise ValueError(english("say where the answer holds the id or the status"))
        return self


class HttpSection(Section):
    """A gateway that takes our SMS over HTTP, described wholly here."""

    url: HttpUrl
    method: Literal["POST", "PUT", "GET"] = "POST"
    sender: str = ""
    headers: Mapping[str, str] = Field(default_factory=dict)
    auth: HttpAuthSection | None = None
    json_body: str = ""
    """A template of JSON. A value in it becomes a JSON value, with its quotation marks: `{"to": {{ to }}}`."""
    form: Mapping[str, str] = Field(default_factory=dict)
    """Fields of a form; each a template."""
    query: Mapping[str, str] = Field(default_factory=dict)
    """Fields behind the address's question mark; each a template."""
    secrets: Mapping[str, Secret] = Field(default_factory=dict)
    """For gateways that want them among the fields: `{{ secret.NAME }}`."""
    idempotency_header: str = ""
    """The header whose value makes the gateway drop a second message under the same key."""
    drops_doubles: bool = False
    """Whether it does so for `{{ key }}` somewhere else in the request."""
    ca_file: Path | None = None
    parallel: int = Field(default=4, ge=1, le=50)
    """Messages under way at once."""
    connect_seconds: AnswerSeconds = 10
    answer_seconds: AnswerSeconds = 30
    answer: HttpAnswerSection = HttpAnswerSection()
    status_query: HttpStatusSection | None = None
    hook_auth: HookAuthSection | None = None
    reply_hook: ReplyHookSection | None = None
    receipt_hook: ReceiptHookSection | None = None
    hook_answer: HookAnswerSection = HookAnswerSection()

    @model_validator(mode="after")
    def _consistent(self) -> HttpSection:
        if self.json_body and self.form:
            raise ValueError(english("name json_body or form, not both"))
        if self.method == "GET" and (self.json_body or self.form):
            raise ValueError(english("a GET has no body; use query"))
        fields = (each for fields in (self.form, self.query, self.headers) for each in fields.values())
        templates = (self.url, self.json_body, *fields)
        if self.drops_doubles and not any(re.search(r"\{\{.*\bkey\b.*\}\}", each) for each in templates):
            raise ValueError(english("drops_doubles: no template sends the key"))
        if self.url.startswith("http://") and not self.is_on_this_machine:
            raise ValueError(english("url: must be https, unless the gateway runs on this machine"))
        if (self.reply_hook or self.receipt_hook) and self.hook_auth is None:
            raise ValueError(english("hook_auth: say what a call must show to be believed"))
        return self

    @property
    def longest_seconds(self) -> float:
        """How long a hand-over may take."""
        return self.connect_seconds + self.answer_seconds

    @property
    def is_on_this_machine(self) -> bool:
        """Whether the gateway runs beside this program."""
        return is_this_computer(_host_of(self.url))

    @property
    def calls_us(self) -> bool:
        """Whether the gateway brings replies or receipts by itself."""
        return self.reply_hook is not None or self.receipt_hook is not None


class MailboxSection(Section):
    """The mailbox that patients' mails and reports about ours arrive in; read by IMAP."""

    host: Host
    port: Port | None = None
    """993 with TLS from the start, 143 otherwise."""
    tls: Literal["tls", "starttls", "none-on-loopback"] = "tls"
    ca_file: Path | None = None
    """Certificates to trust in place of the system's."""
    user: str = Field(min_length=1)
    password: Secret
    mailbox: FolderName = "INBOX"
    move_to: FolderName | Literal[""] = ""
    """The folder that mails are moved to once they are stored; empty: they stay, with a mark."""
    address: str = Field(default="", pattern=r"^([^\s<>@+]+@[^\s<>@]+)?$")
    """Where patients reply to; the practice's own address when empty."""
    plus: bool = False
    """Whether what is sent to `desk+anything@…` arrives here, too (RFC 5233); then each mail has its own address."""
    poll_seconds: int = Field(default=30, ge=5, le=3600)
    timeout_seconds: float = Field(default=30, gt=0, le=300)

    @model_validator(mode="after")
    def _safe(self) -> MailboxSection:
        if self.tls == "none-on-loopback" and not is_this_computer(self.host):
            raise ValueError(
                english("tls: {host} is not this machine; patients' mail must be encrypted on the way").format(
                    host=self.host
                )
            )
        return self

    def reply_to(self, practice_email: str) -> str:
        """Return where replies go, with `{key}` for a message's key; empty when that is just the practice's address."""
        address = self.address or practice_email
        if self.plus and address:
            local, _, domain = address.rpartition("@")
            return f"{local}+{{key}}@{domain}"
        return address if address != practice_email else ""


class FileTransportSection(Section):
    """The transport that writes messages to files, for demo and trial."""

    folder: Path = Path("outbox")


class PaceSection(Section):
    """How many messages may leave: `10/second`, `600/minute`; every one of the limits holds. None: no limit."""

    sms: tuple[Rate, ...] = ()
    email: tuple[Rate, ...] = ()

    def limits(self) -> dict[str, tuple[Limit, ...]]:
        """Return the limits by channel, the shortest window first; one window may be named once."""
        return {"sms": _limits(self.sms), "email": _limits(self.email)}

    @model_validator(mode="after")
    def _clear(self) -> PaceSection:
        for channel, limits in self.limits().items():
            if len({limit.seconds for limit in limits}) != len(limits):
                raise ValueError(english("{channel}: two limits for the same window").format(channel=channel))
        return self


class PriceSection(Section):
    """What messages cost, for `reminders forecast`."""

    currency: str = Field(default="USD", pattern=r"^[A-Z]{3}$")
    sms_segment: Decimal = Field(default=Decimal(0), ge=0, le=100)
    email: Decimal = Field(default=Decimal(0), ge=0, le=100)


class DeliverySection(Section):
    """How messages leave."""

    sms: Literal["file", "smpp", "http"] = "file"
    email: Literal["file", "smtp"] = "file"
    lease_seconds: int = Field(default=120, ge=10, le=3600)
    poll_seconds: int = Field(default=1, ge=1, le=60)
    undelivered_after_minutes: int = Field(default=60, ge=5, le=1440)
    """A message of which a gateway told nothing for so long goes the patient's other way, if it has one."""
    pace: PaceSection = PaceSection()
    price: PriceSection = PriceSection()
    file: FileTransportSection = FileTransportSection()
    smtp: SmtpSection | None = None
    smpp: SmppSection | None = None
    http: HttpSection | None = None

    @model_validator(mode="after")
    def _described(self) -> DeliverySection:
        for name in (self.sms, self.email):
            section = getattr(self, name)
            if section is None:
                raise ValueError(english("the section [delivery.{name}] is missing").format(name=name))
            # In its first half a lease lets hand-overs begin; what outlives it is taken for a dead worker's.
            least = 2 * getattr(section, "longest_seconds", 0)
            if self.lease_seconds < least:
                said = english(
                    "lease_seconds: must be {least:g} or more, as a hand-over by {name} may take half of that"
                )
                raise ValueError(said.format(least=least, name=name))
        return self


def _host_of(url: str) -> str:
    authority = re.split(r"[/?#]", url.split("://", 1)[1])[0].rpartition("@")[2]
    return authority[1:].partition("]")[0] if authority.startswith("[") else authority.partition(":")[0]
