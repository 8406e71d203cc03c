"""What the next days bring: messages for each hour against the pace, what they cost, and which would come too late."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo
from decimal import Decimal

from sqlalchemy.orm import Session

from reminders.care.pacing import Foreseen, Limit, Waiting, foresee, longest_interval
from reminders.records.load import PlannedMessage, planned_messages

DAYS = 14
_HOUR = timedelta(hours=1)


@dataclass(frozen=True, kw_only=True)
class Terms:
    """How many messages may leave, for how much, and by whose clock the hours are told."""

    limits: Mapping[str, tuple[Limit, ...]] = field(default_factory=dict)
    """By channel; a channel that is missing has none."""
    sms_segment: Decimal = Decimal(0)
    email: Decimal = Decimal(0)
    zone: tzinfo = UTC


@dataclass(frozen=True, kw_only=True)
class Hour:
    """One hour of a channel in which something is due or sent."""

    starts_at: datetime
    """On the hour by the clock of the practice; in UTC."""
    channel: str
    due: int
    sent: int
    """As the pace allows."""
    most: int | None
    """What the pace allows in an hour; None without a limit."""


@dataclass(frozen=True, kw_only=True)
class ZoneShare:
    """What goes to the patients of one zone."""

    zone: str
    """IANA name; empty for messages to nobody known."""
    messages: int
    segments: int
    """Of SMS."""
    cost: Decimal


@dataclass(frozen=True, kw_only=True)
class Forecast:
    """What is planned, if nothing is added or taken away."""

    begins_at: datetime
    ends_at: datetime
    hours: tuple[Hour, ...]
    zones: tuple[ZoneShare, ...]
    too_late: tuple[PlannedMessage, ...]
    """Messages that the pace would not let out while they are useful, by deadline."""

    @property
    def messages(self) -> int:
        """How many are planned."""
        return sum(each.messages for each in self.zones)

    @property
    def segments(self) -> int:
        """How many parts of SMS."""
        return sum(each.segments for each in self.zones)

    @property
    def cost(self) -> Decimal:
        """Of all of them."""
        return sum((each.cost for each in self.zones), Decimal(0))


def make_forecast(session: Session, practice_id: str, terms: Terms, *, now: datetime, days: int = DAYS) -> Forecast:
    """Return the forecast of a practice from `now` on."""
    ends_at = now + timedelta(days=days)
    return forecast_of(planned_messages(session, practice_id, until=ends_at), terms, now=now, ends_at=ends_at)


def forecast_of(planned: Sequence[PlannedMessage], terms: Terms, *, now: datetime, ends_at: datetime) -> Forecast:
    """Return the forecast of a load: the order is the dispatcher's own, a burst after a pause is left out."""
    by_channel: dict[str, list[PlannedMessage]] = defaultdict(list)
    for each in planned:
        by_channel[each.channel].append(each)
    hours: list[Hour] = []
    too_late: list[PlannedMessage] = []
    for channel, messages in sorted(by_channel.items()):
        limits = terms.limits.get(channel, ())
        foreseen = foresee((_waiting(each, now) for each in messages), limits=limits)
        hours += _hours(channel, messages, foreseen, terms, now)
        missed = set(foreseen.missed)
        too_late += (each for each in messages if each.id in missed or each.useful_until < now)
    return Forecast(
        begins_at=now,
        ends_at=ends_at,
        hours=tuple(sorted(hours, key=lambda each: (each.starts_at, each.channel))),
        zones=_zones(planned, terms),
        too_late=tuple(sorted(too_late, key=lambda each: (each.useful_until, each.id))),
    )


def _waiting(each: PlannedMessage, now: datetime) -> Waiting:
    return Waiting(each.id, each.importance, max(each.due_at, now), each.useful_until)


def _hours(
    channel: str, messages: Sequence[PlannedMessage], foreseen: Foreseen, terms: Terms, now: datetime
) -> list[Hour]:
    due = Counter(_hour_of(max(each.due_at, now), terms.zone) for each in messages)
    sent = Counter(_hour_of(at, terms.zone) for at in foreseen.sent_at.values())
    interval = longest_interval(terms.limits.get(channel, ()))
    most = _HOUR // interval if interval else None
    return [Hour(starts_at=hour, channel=channel, due=due[hour], sent=sent[hour], most=most) for hour in {*due, *sent}]


def _zones(planned: Sequence[PlannedMessage], terms: Terms) -> tuple[ZoneShare, ...]:
    by_zone: dict[str, list[PlannedMessage]] = defaultdict(list)
    for each in planned:
        by_zone[each.zone or ""].append(each)
    return tuple(_share(zone, messages, terms) for zone, messages in sorted(by_zone.items()))


def _share(zone: str, messages: Sequence[PlannedMessage], terms: Terms) -> ZoneShare:
    segments = sum(each.segments for each in messages if each.channel == "sms")
    emails = sum(each.channel == "email" for each in messages)
    cost = segments * terms.sms_segment + emails * terms.email
    return ZoneShare(zone=zone, messages=len(messages), segments=segments, cost=cost)


def _hour_of(moment: datetime, zone: tzinfo) -> datetime:
    return moment.astimezone(zone).replace(minute=0, second=0, microsecond=0).astimezone(UTC)
