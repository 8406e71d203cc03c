"""The values that every layer shares: one patient's course, the contact rules, an occurrence and its reasons."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from functools import cached_property
from types import MappingProxyType
from typing import NamedTuple
from zoneinfo import ZoneInfo

from reminders.care.quiet_hours import QuietHours
from reminders.care.timing import local_day


class Channel(StrEnum):
    """How a message reaches the patient."""

    # An Enum is hashed by its name, in Python, and so unlike the text that it equals.
    __hash__ = str.__hash__

    SMS = "sms"
    EMAIL = "email"


class QuietMove(StrEnum):
    """What quiet hours may do to an occurrence."""

    EARLIER = "earlier"  # goes out before quiet hours begin
    LATER = "later"  # waits for their end, if it is still useful then
    WITHHOLD = "withhold"  # this occurrence is dropped
    SEND = "send"  # goes out, but only when the patient agreed to be contacted at night


class InDoubt(StrEnum):
    """What to do when nobody knows whether a message went out."""

    RESEND = "resend"  # better twice than never: warning signs
    HOLD = "hold"  # better never than twice: anything that says to take medicine


class Outcome(StrEnum):
    """What the schedule decided for an occurrence."""

    SCHEDULED = "scheduled"
    AT_CHECKOUT = "at_checkout"  # said at the desk and printed on the sheet, as no later moment fits
    WITHHELD = "withheld"


class Asks(StrEnum):
    """What a check-in asks, which decides how a short reply is read."""

    YES_NO = "yes_no"  # YES always means that all is well
    PAIN = "pain"  # 0 to 10
    VISIT = "visit"  # C confirms the visit


class Slot(StrEnum):
    """A moment of the patient's own day."""

    __hash__ = str.__hash__

    MORNING = "morning"
    MIDDAY = "midday"
    EVENING = "evening"
    BEDTIME = "bedtime"


DEFAULT_SLOTS: Mapping[Slot, time] = MappingProxyType(
    {
        Slot.MORNING: time(8, 0),
        Slot.MIDDAY: time(12, 30),
        Slot.EVENING: time(19, 0),
        Slot.BEDTIME: time(21, 30),
    }
)


class Reason(NamedTuple):
    """One rule that made a message what it is, in words that staff can read."""

    rule: str
    text: str


@dataclass(frozen=True, kw_only=True)
class Course:
    """The facts of one enrollment from which its schedule follows."""

    procedure_end: datetime
    """Instant; it and the others below are kept in UTC, whatever offset they were given in."""
    zone: ZoneInfo
    language: str
    factors: frozenset[str] = frozenset()
    settings: Mapping[str, int | str] = field(default_factory=dict)
    """Only what was set for this patient; the plan's defaults fill the rest."""
    block_placed: datetime | None = None
    dressing_applied: datetime | None = None
    visit: datetime | None = None
    slots: Mapping[Slot, time] = field(default_factory=lambda: DEFAULT_SLOTS)
    channel: Channel = Channel.SMS
    night_contact_agreed: bool = False
    site: str | None = None
    """How staff call the treated site; messages say it only when courses overlap."""
    overlaps: bool = False
    """Another course of this patient runs at the same time, so that messages must tell which they mean."""

    def __post_init__(self) -> None:
        for name in ("procedure_end", "block_placed", "dressing_applied", "visit"):
            instant = getattr(self, name)
            if instant is not None and instant.tzinfo is None:
                raise ValueError(f"{name} needs a time zone")
            # Python adds a duration to a zoned datetime by the wall clock; in UTC 24 h are 24 h.
            if instant is not None and instant.tzinfo is not UTC:
                object.__setattr__(self, name, instant.astimezone(UTC))

    @cached_property
    def day_0(self) -> date:
        """The procedure's own local date."""
        return local_day(self.procedure_end, self.zone)


@dataclass(frozen=True, kw_only=True)
class ContactRules:
    """When and how often the practice may write to a patient."""

    quiet: QuietHours
    daily_limit: int = 5
    """Messages a local day; optional ones give way."""
    join_within: timedelta = timedelta(minutes=20)
    """Messages closer than this become one, if they fit."""
    keep_apart: timedelta = timedelta(minutes=2)
    """The distance of messages that do not fit into one."""
    before_quiet: timedelta = timedelta(minutes=15)
    """How long before quiet hours an `earlier` message goes out."""


@dataclass(frozen=True, kw_only=True)
class Occurrence:
    """One instruction at one moment of one course: what goes out, when, and why then."""

    key: str
    occurrence: int
    """Counted from 1 within a key."""
    text_name: str
    """The template that says it; differs from `key` where a patient factor chose other words."""
    channel: Channel
    planned_at: datetime
    """Instant, UTC, before quiet hours and merging had their say."""
    send_at: datetime
    """Instant, UTC; of an `at_checkout` occurrence the moment at the desk, of a `withheld` one the plan's."""
    useful_until: datetime
    """Instant, UTC; after it the message misleads and is withheld."""
    outcome: Outcome
    required: bool
    importance: int
    """1 comes first."""
    in_doubt: InDoubt
    asks: Asks | None
    must_precede: bool
    """It has to come before something (a block that wears off, the way home), so joining may not delay it."""
    reasons: tuple[Reason, ...]

    @cached_property
    def alone(self) -> Joined:
        """The message that says this occurrence only."""
        return Joined(
            members=(self,),
            send_at=self.send_at,
            useful_until=self.useful_until,
            outcome=self.outcome,
            reasons=self.reasons,
        )

    def __hash__(self) -> int:
        """Return the hash of what tells occurrences apart; the rest of the fields follows from it nearly always."""
        return hash((self.key, self.occurrence, self.text_name, self.send_at))


@dataclass(frozen=True, kw_only=True)
class Joined:
    """What goes out as one message: one occurrence, or several that were near and fit together."""

    members: tuple[Occurrence, ...]
    """Most important first; the message carries the first one's key."""
    send_at: datetime
    useful_until: datetime
    outcome: Outcome
    reasons: tuple[Reason, ...]
    said_now: tuple[Occurrence, ...] = ()
    """In the desk message only: what is said at the desk and fits in here as well."""

    @property
    def first(self) -> Occurrence:
        """The member whose key and occurrence name the message."""
        return self.members[0]

    @property
    def required(self) -> bool:
        """Whether any member must reach the patient."""
        return any(member.required for member in self.members)

    @property
    def importance(self) -> int:
        """The importance of the most important member; 1 comes first."""
        return self.members[0].importance

    @property
    def in_doubt(self) -> InDoubt:
        """`hold` when any member says to take medicine: nobody is told twice to take a dose."""
        return InDoubt.HOLD if any(m.in_doubt is InDoubt.HOLD for m in self.members) else InDoubt.RESEND

    @property
    def asks(self) -> Asks | None:
        """What the message asks; two questions are never joined."""
        return next((member.asks for member in self.members if member.asks), None)
