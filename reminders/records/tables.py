"""The tables of patients, their courses and what is said. Instants are UTC; each row carries its practice."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    Boolean,
    CheckConstraint,
    Column,
    Index,
    Integer,
    String,
    Table,
    UniqueConstraint,
    false,
    text,
)
from sqlmodel import Field, SQLModel

from reminders.records.columns import BigId, id_of, instant, look_up, sealed
from reminders.records.message_states import MessageState
from reminders.records.sealed_types import Sealed, SealedBytes, SealedJson


class Installation(SQLModel, table=True):
    """The one row that tells this database from any other; gateways know its messages by it."""

    __table_args__ = (CheckConstraint("id = 1", name="ck_installation_one"),)

    id: int = Field(primary_key=True)
    name: str
    """Random; drawn when the database is made."""
    link_key: str = Field(sa_column=Column(Sealed("installation.link_key"), nullable=False, server_default=""))
    """Random, likewise, in hexadecimal; the tokens in the addresses that messages hold are made with it."""
    look_up_secret: bytes | None = Field(default=None, sa_column=Column(SealedBytes("installation.look_up_secret")))
    """Random, and sealed; what is hashed to be found again is hashed with a key derived from it."""
    is_sealed: bool = Field(default=False, sa_column=Column(Boolean, nullable=False, server_default=false()))
    """Whether everything personal is; not while what an older program left readable is being sealed."""


class Practice(SQLModel, table=True):
    """A practice (site). Its hours, sender and texts' facts come from the configuration."""

    id: str = Field(primary_key=True)
    name: str
    created_at: datetime = instant()
    renamings: int = Field(default=0, sa_column=Column(Integer, nullable=False, server_default="0"))
    """How often a patient's name was changed; who keeps names in memory reads them again then."""


class Patient(SQLModel, table=True):
    """A person in aftercare."""

    id: int | None = Field(default=None, sa_column=Column(BigId, primary_key=True))
    practice_id: str = Field(foreign_key="practice.id", index=True)
    first_name: str = sealed("patient.first_name")
    last_name: str = sealed("patient.last_name")
    language: str
    zone: str
    """IANA name."""
    slots: dict[str, str] = Field(sa_column=Column(JSON, nullable=False), default_factory=dict)
    """Wall times that differ from the usual ones (`{"evening": "18:30"}`)."""
    night_contact_agreed: bool = False
    created_at: datetime = instant()


class Contact(SQLModel, table=True):
    """An address of a patient on one channel and whether it may be used now."""

    __table_args__ = (
        UniqueConstraint("patient_id", "channel", "address_key"),
        # serves the look-up of who wrote: a reply comes with nothing but its sender's address
        Index("ix_contact_address_key", "practice_id", "channel", "address_key"),
        CheckConstraint("state IN ('active', 'stopped', 'released', 'unreachable')", name="ck_contact_state"),
    )

    id: int | None = Field(default=None, sa_column=Column(BigId, primary_key=True))
    practice_id: str = Field(foreign_key="practice.id")
    patient_id: int = id_of("patient.id")
    channel: str
    address: str = sealed("contact.address")
    """E.164 number, or e-mail address."""
    address_key: bytes | None = look_up("address")
    state: str = "active"
    """active; stopped (opt-out); released (not this patient's); unreachable (bounced, deactivated)."""


class ConsentEvent(SQLModel, table=True):
    """One line of the consent history; lines are only ever added."""

    __tablename__ = "consent_event"

    id: int | None = Field(default=None, sa_column=Column(BigId, primary_key=True))
    practice_id: str = Field(foreign_key="practice.id")
    patient_id: int = id_of("patient.id", index=True)
    channel: str
    address: str = sealed("consent_event.address")
    action: str
    """given, withdrawn, released."""
    source: str
    """desk, reply, page, staff, import."""
    wording: str = sealed("consent_event.wording")
    """What was read out or written, word for word or by its version."""
    recorded_by: str
    at: datetime = instant()


class Approval(SQLModel, table=True):
    """A licensed clinician's approval of one plan's exact content."""

    id: int | None = Field(default=None, sa_column=Column(BigId, primary_key=True))
    practice_id: str = Field(foreign_key="practice.id")
    procedure: str = Field(index=True)
    plan_version: int
    content_hash: str = Field(index=True)
    """Over every file the plan uses; any change makes another hash."""
    approved_by: str
    license: str
    at: datetime = instant()


class PlanContent(SQLModel, table=True):
    """A plan's files word for word, so that a course goes on as it was approved when the folder changes."""

    __tablename__ = "plan_content"

    content_hash: str = Field(primary_key=True)
    procedure: str
    files: dict[str, str] = Field(sa_column=Column(JSON, nullable=False))
    """Path below the folder of procedures → text."""
    kept_at: datetime = instant()


class Enrollment(SQLModel, table=True):
    """One patient's course after one procedure."""

    __table_args__ = (
        Index("ix_enrollment_patient", "patient_id", "procedure", "procedure_on"),
        # serves the page of the day: grows with what runs, not with what is over
        Index(
            "ix_enrollment_active",
            "practice_id",
            "procedure_end",
            sqlite_where=text("state = 'active'"),
            postgresql_where=text("state = 'active'"),
        ),
        CheckConstraint("state IN ('active', 'ended', 'cancelled')", name="ck_enrollment_state"),
    )

    id: int | None = Field(default=None, sa_column=Column(BigId, primary_key=True))
    practice_id: str = Field(foreign_key="practice.id", index=True)
    patient_id: int = id_of("patient.id")
    procedure: str
    plan_version: int
    content_hash: str
    """The plan's content when the course was enrolled, see `Approval`."""
    procedure_on: date
    """Day 0, the local date of the procedure."""
    procedure_end: datetime = instant()
    facts: dict[str, Any] = Field(sa_column=Column(SealedJson("enrollment.facts"), nullable=False))
    """Format version, factors, settings, times, channel: what the schedule follows from."""
    state: str = "active"
    enrolled_by: str
    enrolled_at: datetime = instant()
    ended_at: datetime | None = instant(nullable=True)
    paused_at: datetime | None = instant(nullable=True)
    """Since when nothing is sent, while staff think again; the course stays active."""


class Message(SQLModel, table=True):
    """One message; the rows in state `scheduled` are the schedule."""

    __table_args__ = (
        # no instruction of a course is ever planned, and so never said, twice
        UniqueConstraint("enrollment_id", "key", "occurrence"),
        # a reply is answered once
        Index(
            "uq_message_answer",
            "answers_reply_id",
            "key",
            unique=True,
            sqlite_where=text("answers_reply_id IS NOT NULL"),
            postgresql_where=text("answers_reply_id IS NOT NULL"),
        ),
        # serves the claim and the search for the next due moment: grows with what waits, not with what was sent
        Index(
            "ix_message_due",
            "practice_id",
            "channel",
            "importance",
            "due_at",
            "useful_until",
            sqlite_where=text("state = 'scheduled'"),
            postgresql_where=text("state = 'scheduled'"),
        ),
        # serves the search for claims whose worker died
        Index(
            "ix_message_leased",
            "practice_id",
            "lease_until",
            sqlite_where=text("state = 'sending'"),
            postgresql_where=text("state = 'sending'"),
        ),
        # serves lists by time for other programs, a page after the other, whatever the state; and tells which courses
        # have a message ahead without reading it
        Index("ix_message_send", "practice_id", "send_at", "id", "enrollment_id"),
        # serves the look-up of what a patient was last asked; the query must say that `settled_at` is not null
        Index(
            "ix_message_patient",
            "patient_id",
            "settled_at",
            sqlite_where=text("settled_at IS NOT NULL"),
            postgresql_where=text("settled_at IS NOT NULL"),
        ),
        # serves the receipt, which names a message by the gateway's reference
        Index(
            "ix_message_ref",
            "transport_ref",
            sqlite_where=text("transport_ref IS NOT NULL"),
            postgresql_where=text("transport_ref IS NOT NULL"),
        ),
        # a question is asked again once
        Index(
            "uq_message_repeats",
            "repeats_id",
            unique=True,
            sqlite_where=text("repeats_id IS NOT NULL"),
            postgresql_where=text("repeats_id IS NOT NULL"),
        ),
        # serves whoever watches: what is in doubt stays until somebody asked the patient
        Index(
            "ix_message_uncertain",
            "practice_id",
            "transport",
            sqlite_where=text("state = 'uncertain'"),
            postgresql_where=text("state = 'uncertain'"),
        ),
        # serves the search for questions that nobody answered; the query must repeat these conditions
        Index(
            "ix_message_asked",
            "settled_at",
            sqlite_where=text("asks IS NOT NULL AND unanswered_at IS NULL AND settled_at IS NOT NULL"),
            postgresql_where=text("asks IS NOT NULL AND unanswered_at IS NULL AND settled_at IS NOT NULL"),
        ),
        # these two serve the page of the day: which courses somebody should look at
        Index(
            "ix_message_failed",
            "enrollment_id",
            sqlite_where=text("state = 'failed'"),
            postgresql_where=text("state = 'failed'"),
        ),
        Index(
            "ix_message_unanswered",
            "enrollment_id",
            "unanswered_at",
            sqlite_where=text("unanswered_at IS NOT NULL"),
            postgresql_where=text("unanswered_at IS NOT NULL"),
        ),
        # what did not arrive goes another way once
        Index(
            "uq_message_instead_of",
            "instead_of_id",
            unique=True,
            sqlite_where=text("instead_of_id IS NOT NULL"),
            postgresql_where=text("instead_of_id IS NOT NULL"),
        ),
        # serves the search for what was taken and is not known to have arrived; these transports tell
        Index(
            "ix_message_undelivered",
            "practice_id",
            "settled_at",
            sqlite_where=text("state = 'sent' AND (transport = 'http' OR transport = 'smpp')"),
            postgresql_where=text("state = 'sent' AND (transport = 'http' OR transport = 'smpp')"),
        ),
        # For IN, SQLite builds a list anew for every row that it writes, which doubles what the row costs.
        CheckConstraint(" OR ".join(f"state = '{state}'" for state in MessageState), name="ck_message_state"),
        CheckConstraint("(state = 'sending') = (claim_token IS NOT NULL)", name="ck_message_claim"),
        CheckConstraint(
            "state <> 'sending' OR (lease_until IS NOT NULL AND handed_at IS NOT NULL)", name="ck_message_lease"
        ),
        CheckConstraint("state NOT IN ('sent', 'uncertain') OR handed_at IS NOT NULL", name="ck_message_handed"),
        CheckConstraint("state <> 'joined' OR joined_into IS NOT NULL", name="ck_message_joined"),
        CheckConstraint("importance BETWEEN 1 AND 9", name="ck_message_importance"),
        CheckConstraint("in_doubt IN ('resend', 'hold')", name="ck_message_in_doubt"),
        CheckConstraint("kind = 'instruction' OR kind = 'answer' OR kind = 'staff'", name="ck_message_kind"),
        CheckConstraint("kind <> 'instruction' OR enrollment_id IS NOT NULL", name="ck_message_course"),
        # every message is written at least three times, so its dead versions are cleared early and cheaply
        {
            "postgresql_with": {
                "autovacuum_vacuum_scale_factor": "0.01",
                "autovacuum_vacuum_threshold": "5000",
                "autovacuum_vacuum_cost_delay": "0",
                "autovacuum_analyze_scale_factor": "0.02",
            }
        },
    )

    id: int | None = Field(default=None, sa_column=Column(BigId, primary_key=True))
    practice_id: str
    patient_id: int | None = Field(default=None, sa_column=Column(BigId))
    enrollment_id: int | None = id_of("enrollment.id", nullable=True)
    answers_reply_id: int | None = id_of("reply.id", nullable=True)
    kind: str
    """instruction (of a course), answer (to a reply), staff (to the person on call)."""
    key: str
    occurrence: int
    text_name: str
    """The template that said it; empty for what is no instruction."""
    joined_into: str | None = None
    """Key and occurrence (`soak:3`) of the message of the same course that says this as well."""
    channel: str
    address: str = sealed("message.address")
    address_key: bytes | None = look_up("address")
    language: str
    state: str
    planned_at: datetime = instant()
    send_at: datetime = instant()
    due_at: datetime = instant()
    """`send_at`, or later after a try that handed nothing over."""
    useful_until: datetime = instant()
    required: bool
    importance: int
    """1 comes first, 9 last."""
    in_doubt: str
    asks: str | None = None
    subject: str | None = sealed("message.subject", nullable=True)
    text: str = sealed("message.text")
    markdown: str | None = sealed("message.markdown", nullable=True)
    encoding: str | None = None
    segments: int = 0
    reasons: list[dict[str, str]] = Field(sa_column=Column(SealedJson("message.reasons"), nullable=False))
    attempts: int = 0
    claim_token: str | None = None
    lease_until: datetime | None = instant(nullable=True)
    handed_at: datetime | None = instant(nullable=True)
    settled_at: datetime | None = instant(nullable=True)
    transport: str | None = None
    transport_ref: str | None = None
    detail: str | None = sealed("message.detail", nullable=True)
    """Why it failed, is uncertain or was withheld at the gate."""
    repeats_id: int | None = Field(default=None, sa_column=Column(BigId))
    """The message whose question it asks again."""
    instead_of_id: int | None = Field(default=None, sa_column=Column(BigId))
    """The message that did not arrive and that this one says by another channel."""
    unanswered_at: datetime | None = instant(nullable=True)
    """When it was noted that nobody answered its question."""
    in_reply_to: str | None = sealed("message.in_reply_to", nullable=True)
    """Of an answer to a mail: that mail's Message-ID, with its angle brackets."""


class Reply(SQLModel, table=True):
    """What somebody wrote to the practice."""

    __table_args__ = (
        UniqueConstraint("practice_id", "channel", "gateway_ref"),
        # serves the question how often a sender was answered lately, whoever they are
        Index("ix_reply_sender", "sender_key", "received_at"),
    )

    id: int | None = Field(default=None, sa_column=Column(BigId, primary_key=True))
    practice_id: str
    patient_id: int | None = id_of("patient.id", nullable=True, index=True)
    """None when nobody is known under the sender's address."""
    enrollment_id: int | None = Field(default=None, sa_column=Column(BigId))
    message_id: int | None = Field(default=None, sa_column=Column(BigId))
    """The message it answers, as far as known."""
    channel: str
    sender: str = sealed("reply.sender")
    sender_key: bytes | None = look_up("sender")
    text: str = sealed("reply.text")
    gateway_ref: str | None = None
    received_at: datetime = instant()
    after: str
    """The context it was read in: what was asked last."""
    label: str
    signs: list[str] = Field(sa_column=Column(JSON, nullable=False))
    why: list[dict[str, Any]] = Field(sa_column=Column(SealedJson("reply.why"), nullable=False))
    written_by: str = Field(default="person", sa_column=Column(String, nullable=False, server_default="person"))
    """person; machine (an automatic answer, which says nothing about how the patient is)."""
    left_out: str | None = sealed("reply.left_out", nullable=True)
    """Of a mail: what it held besides, quotes of ours and a signature; it was not read."""


MESSAGES: Table = SQLModel.metadata.tables["message"]
"""For statements about many messages at once, where building objects is what costs."""
REPLIES: Table = SQLModel.metadata.tables["reply"]
