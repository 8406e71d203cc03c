"""`reminders forecast`: the load of the next days against the pace, what it costs, and what would come too late."""

from __future__ import annotations

from itertools import groupby
from typing import Any

import click

from reminders.care.timing import as_text
from reminders.cli.faults import FELL_SHORT
from reminders.cli.json_output import print_json
from reminders.cli.options import json_option, opened
from reminders.cli.terminal import line, short_when, show_rows, table
from reminders.config import Config
from reminders.desk.forecast import DAYS, Forecast, Hour, Terms, make_forecast
from reminders.words import gettext, marked, on_day

_BY_DAY = (marked("Day"), marked("Messages"), marked("Busiest hour"), marked("Due then"), marked("Pace an hour"))
_BY_ZONE = (marked("Zone"), marked("Messages"), marked("SMS parts"))
_TOO_LATE = (marked("Message"), marked("Enrollment"), marked("What"), marked("Due"), marked("Useful until"))


@click.command(
    epilog="""\b
Examples:
  reminders forecast
  reminders forecast --days 3
  reminders forecast --json
\b
The pace stands in [delivery.pace] of the configuration, the prices in [delivery.price].
""",
)
@click.option("--days", type=click.IntRange(1, 60), default=DAYS, show_default=True, help="How far to look.")
@json_option
@click.pass_context
def forecast(ctx: click.Context, days: int, as_json: bool) -> int:
    """Show how many messages the next days bring, hour by hour against the pace, and what they cost by zone.

    Names every message that the pace would not let out while it is useful; when there is one, the exit code is 1.
    What is enrolled or changed later is not in it.
    """
    app = opened(ctx)
    delivery = app.config.delivery
    price = delivery.price
    terms = Terms(limits=delivery.pace.limits(), sms_segment=price.sms_segment, email=price.email, zone=app.config.zone)
    with app.database.reading() as session:
        found = make_forecast(session, app.config.practice.id, terms, now=app.clock.now(), days=days)
    if as_json:
        print_json(_as_json(found, app.config))
    else:
        _show(found, app.config)
    return FELL_SHORT if found.too_late else 0


def _show(found: Forecast, config: Config) -> None:
    _show_days(found, config)
    currency = config.delivery.price.currency
    show_rows(
        table(*(gettext(heading) for heading in _BY_ZONE), gettext("Cost in {currency}", currency=currency)),
        ([each.zone or "-", str(each.messages), str(each.segments), f"{each.cost:.2f}"] for each in found.zones),
    )
    said = gettext(
        "{count} messages in {days} days, {parts} SMS parts, {cost:.2f} {currency}.",
        count=found.messages,
        days=(found.ends_at - found.begins_at).days,
        parts=found.segments,
        cost=found.cost,
        currency=currency,
    )
    line(said, style="bold")
    if found.too_late:
        _show_too_late(found, config)
    else:
        line(gettext("Each goes out while it is useful."))


def _show_days(found: Forecast, config: Config) -> None:
    zone = config.zone
    busiest = [
        max(hours, key=_pressing)
        for _, hours in groupby(found.hours, key=lambda each: each.starts_at.astimezone(zone).date())
    ]
    sums = {each.starts_at: _of_the_day(found.hours, each, config) for each in busiest}
    show_rows(
        table(*(gettext(heading) for heading in _BY_DAY)),
        (
            [
                on_day(each.starts_at.astimezone(zone), "EEE d MMM"),
                str(sums[each.starts_at]),
                f"{each.starts_at.astimezone(zone):%H:%M} {each.channel}",
                str(each.due),
                gettext("no limit") if each.most is None else str(each.most),
            ]
            for each in busiest
        ),
    )


def _show_too_late(found: Forecast, config: Config) -> None:
    too_late = marked("{count} would come too late; raise the pace or change their courses:")
    line(gettext(too_late, count=len(found.too_late)), style="bold red")
    show_rows(
        table(*(gettext(heading) for heading in _TOO_LATE)),
        (
            [
                str(each.id),
                str(each.enrollment_id or "-"),
                each.key,
                short_when(each.due_at, config.zone),
                short_when(each.useful_until, config.zone),
            ]
            for each in found.too_late
        ),
    )


def _pressing(hour: Hour) -> tuple[bool, int]:
    """Rank an hour: one in which more is due than the pace allows comes before all others."""
    return hour.most is not None and hour.due > hour.most, hour.due


def _of_the_day(hours: tuple[Hour, ...], of: Hour, config: Config) -> int:
    day = of.starts_at.astimezone(config.zone).date()
    return sum(each.due for each in hours if each.starts_at.astimezone(config.zone).date() == day)


def _as_json(found: Forecast, config: Config) -> dict[str, Any]:
    zone = config.zone
    return {
        "begins_at": as_text(found.begins_at, zone),
        "ends_at": as_text(found.ends_at, zone),
        "messages": found.messages,
        "segments": found.segments,
        "cost": str(found.cost),
        "currency": config.delivery.price.currency,
        "hours": [
            {
                "starts_at": as_text(each.starts_at, zone),
                "channel": each.channel,
                "due": each.due,
                "sent": each.sent,
                "most": each.most,
            }
            for each in found.hours
        ],
        "zones": [
            {"zone": each.zone, "messages": each.messages, "segments": each.segments, "cost": str(each.cost)}
            for each in found.zones
        ],
        "too_late": [
            {
                "message": each.id,
                "enrollment": each.enrollment_id,
                "key": each.key,
                "channel": each.channel,
                "due_at": as_text(each.due_at, zone),
                "useful_until": as_text(each.useful_until, zone),
            }
            for each in found.too_late
        ],
    }
