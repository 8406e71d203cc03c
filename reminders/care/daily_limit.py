"""How many messages a patient gets in one day: optional ones give way, required ones never."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime

from reminders.care.timing import local_day
from reminders.care.values import ContactRules, Course, Joined, Outcome, Reason
from reminders.sentences import english


def limit_days(
    messages: Sequence[Joined], course: Course, rules: ContactRules, *, others: Sequence[datetime] = ()
) -> list[Joined]:
    """Withhold the least important optional messages of each local day that has too many, the latest first.

    `others` are the instants of messages that the patient gets anyway: sent already, or of another course.
    """
    taken = Counter([local_day(instant, course.zone) for instant in others])
    per_day: dict[date, list[Joined]] = defaultdict(list)
    for message in messages:
        if message.outcome is Outcome.SCHEDULED:
            per_day[local_day(message.send_at, course.zone)].append(message)
    withheld: set[int] = set()
    for day, planned in per_day.items():
        too_many = len(planned) + taken[day] - rules.daily_limit
        if too_many > 0:
            optional = [message for message in planned if not message.required]
            optional.sort(key=lambda message: (message.importance, message.send_at), reverse=True)
            withheld |= {id(message) for message in optional[:too_many]}
    if not withheld:
        return list(messages)
    reason = Reason(
        rule="daily_limit", text=english("gives way: at most {limit} messages a day").format(limit=rules.daily_limit)
    )
    return [
        replace(message, outcome=Outcome.WITHHELD, reasons=(*message.reasons, reason))
        if id(message) in withheld
        else message
        for message in messages
    ]
