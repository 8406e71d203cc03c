"""What has to hold for the times of every course."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from itertools import pairwise
from zoneinfo import ZoneInfo

from reminders.care.moments import clock_text
from reminders.care.plan import Instruction, Plan
from reminders.care.timing import local_day
from reminders.care.timings import AfterAnchor, BeforeAnchor, BeforeVisit, EachDay
from reminders.care.values import Joined, Occurrence, Outcome, QuietMove
from reminders.desk.prove.trial import Trial
from reminders.sentences import english

LONGEST_USEFUL = timedelta(hours=24)
"""A message that asks for something to be done misleads a day late (common practice, no source; so the next two)."""
LONGEST_USEFUL_OTHERS = timedelta(hours=48)
"""For optional ones of importance 6 or less, and for those counted to the visit, which must end before it."""
LONGEST_USEFUL_DESK = timedelta(days=7)
"""For the desk message: whoever is enrolled late must still be told who writes and how to stop."""
BACKGROUND_IMPORTANCE = 6
MOST_SOUND = 10_000
"""So many messages of a zone are remembered as sound."""


@dataclass(frozen=True, kw_only=True)
class Breach:
    """One rule that one course breaks."""

    rule: str
    key: str
    """The instruction."""
    field: str
    """The key in plan.toml that has most to do with it."""
    message: str
    notice: bool = False


@dataclass(frozen=True, kw_only=True)
class Traits:
    """What of an instruction decides which rules look at it; kept, as the rules look very often."""

    instruction: Instruction
    events: tuple[str, ...]
    """The anchors that it has to come before."""
    counts_to_visit: bool
    elapsed_until: str
    """The anchor until which it is useful, when all its times are elapsed ones; else "" ."""
    repeats_for: timedelta | None
    """How long each of its daily times is useful; None when it is not said each day."""
    is_by_itself: bool
    """A message of it can be judged without the course around it."""


class Sound:
    """Messages, by zone, that break no rule whatever course they are in; the program makes many of them only once."""

    def __init__(self) -> None:
        self._by_zone: dict[ZoneInfo, dict[int, Joined]] = {}

    def of(self, zone: ZoneInfo) -> dict[int, Joined]:
        """Return them by identity, to be added to; kept as values, so that no identity is given anew."""
        found = self._by_zone.setdefault(zone, {})
        if len(found) > MOST_SOUND:
            found.clear()
        return found


@lru_cache(maxsize=16)
def traits_of(plan: Plan) -> Mapping[str, Traits]:
    """Return the traits of every instruction by its key."""
    return {each.key: _traits(each) for each in plan.instructions}


def _traits(each: Instruction) -> Traits:
    elapsed = all(isinstance(when, AfterAnchor | BeforeAnchor) for when in each.when)
    daily = any(isinstance(when, EachDay) for when in each.when) and each.useful_hours is not None
    events = tuple(when.before for when in each.when if isinstance(when, BeforeAnchor))
    counts_to_visit = any(isinstance(when, BeforeVisit) for when in each.when)
    elapsed_until = each.useful_until or "" if elapsed else ""
    return Traits(
        instruction=each,
        events=events,
        counts_to_visit=counts_to_visit,
        elapsed_until=elapsed_until,
        repeats_for=timedelta(hours=each.useful_hours or 0) if daily else None,
        is_by_itself=not (events or counts_to_visit or elapsed_until),
    )


def breaches(trial: Trial, *, pain_keys: frozenset[str], sound: Sound) -> Iterator[Breach]:
    """Yield every rule that a course breaks; `pain_keys` are the instructions that name a medicine."""
    known = traits_of(trial.plan)
    rules, zone = trial.rules, trial.resolved.course.zone
    here = sound.of(zone)
    for message in trial.messages:
        if id(message) in here:
            continue
        quiet = message.outcome is Outcome.SCHEDULED and rules.quiet.is_quiet(message.send_at, zone)
        found = [*_of_message(trial, message, known), *(_quiet_hours(trial, message) if quiet else ())]
        if found:
            yield from found
        elif not quiet and all(known[each.key].is_by_itself for each in message.members):
            here[id(message)] = message
    yield from _next_time(trial)
    yield from _never_said(trial)
    for key in pain_keys:
        yield from _after_wear_off(trial, key)
    if trial.whole:
        for rule in _WHOLE:
            yield from rule(trial)


def _of_message(trial: Trial, message: Joined, known: Mapping[str, Traits]) -> Iterator[Breach]:
    scheduled = message.outcome is Outcome.SCHEDULED
    for each in message.members:
        traits = known[each.key]
        if scheduled and (not traits.is_by_itself or message.send_at > message.useful_until):
            yield from _useful(trial, message, each, traits)
        elif message.outcome is Outcome.WITHHELD and each.required:
            yield from _lost(each)
        if traits.elapsed_until:
            yield from _due_too_late(trial, each, traits)


def may_wake(instruction: Instruction) -> bool:
    """Say whether an instruction may go out at night to who agreed: what is required and of the first importance."""
    return instruction.required and instruction.importance == 1


def too_long_useful(instruction: Instruction, *, is_desk_message: bool) -> Iterator[Breach]:
    """Yield that an instruction may go out so late that it misleads."""
    background = not instruction.required and instruction.importance >= BACKGROUND_IMPORTANCE
    to_visit = any(isinstance(when, BeforeVisit) for when in instruction.when)
    longest = LONGEST_USEFUL_OTHERS if background or to_visit else LONGEST_USEFUL
    longest = LONGEST_USEFUL_DESK if is_desk_message else longest
    if instruction.useful_hours is not None and timedelta(hours=instruction.useful_hours) > longest:
        most = int(longest.total_seconds()) // 3600
        text = english("may go out up to {hours} h late; {most} h is the most for a text of its kind").format(
            hours=instruction.useful_hours, most=most
        )
        yield Breach(rule="useful_until", key=instruction.key, field="useful_hours", message=text)


def _quiet_hours(trial: Trial, message: Joined) -> Iterator[Breach]:
    for each in message.members:
        instruction = traits_of(trial.plan)[each.key].instruction
        agreed = trial.case.night_contact_agreed and instruction.quiet is QuietMove.SEND
        if not (agreed and may_wake(instruction)):
            at = _clock(trial, message.send_at)
            yield Breach(
                rule="quiet_hours",
                key=each.key,
                field="quiet",
                message=english("goes out in quiet hours, at {clock}").format(clock=at),
            )


def _useful(trial: Trial, message: Joined, each: Occurrence, traits: Traits) -> Iterator[Breach]:
    field = _useful_field(traits.instruction)
    if message.send_at > message.useful_until:
        text = english("goes out at {at}, when it is no longer useful").format(at=_clock(trial, message.send_at))
        yield Breach(rule="useful_until", key=each.key, field=field, message=text)
    for name in traits.events:
        event = trial.resolved.anchors.get(name)
        if event is not None:
            yield from _before_its_event(trial, message, name, traits.instruction)
    if traits.counts_to_visit and "visit" in trial.resolved.anchors and traits.instruction.useful_hours is not None:
        yield from _after_visit(trial, each, traits.instruction)


def _after_visit(trial: Trial, each: Occurrence, instruction: Instruction) -> Iterator[Breach]:
    """Yield what may go out after the visit it counts to, unless the calendar left out a day between them."""
    zone, visit = trial.resolved.course.zone, trial.resolved.anchors["visit"]
    planned, visit_wall = (instant.astimezone(zone).replace(tzinfo=None) for instant in (each.planned_at, visit))
    until = planned + timedelta(hours=instruction.useful_hours or 0)
    apart = (visit_wall.date() - planned.date()).days
    amounts = (when.before_visit_days for when in instruction.when if isinstance(when, BeforeVisit))
    as_planned = apart in map(trial.resolved.amount, amounts)
    if as_planned and planned < visit_wall < until:
        text = english("may still go out until {until}, after {event} at {moment}").format(
            until=f"{until:%Y-%m-%d %H:%M}", event=english("the visit"), moment=_clock(trial, visit)
        )
        yield Breach(rule="useful_until", key=each.key, field="useful_hours", message=text)


def _before_its_event(trial: Trial, message: Joined, name: str, instruction: Instruction) -> Iterator[Breach]:
    event, named = trial.resolved.anchors[name], name.replace("_", " ")
    if message.send_at >= event and not _wears_off(trial, name):
        text = english("goes out at {at}, not before {event} at {moment}").format(
            at=_clock(trial, message.send_at), event=named, moment=_clock(trial, event)
        )
        yield Breach(rule="too_late", key=instruction.key, field="when", message=text)
    if message.useful_until > event:
        until = _clock(trial, message.useful_until)
        text = english("may still go out until {until}, after {event} at {moment}").format(
            until=until, event=named, moment=_clock(trial, event)
        )
        yield Breach(rule="useful_until", key=instruction.key, field=_useful_field(instruction), message=text)


def _lost(each: Occurrence) -> Iterator[Breach]:
    why = each.reasons[-1]
    if why.rule != "said_once":
        text = english("is required, but does not reach the patient: {why}").format(why=why.text)
        yield Breach(rule="required_lost", key=each.key, field="required", message=text)


def _due_too_late(trial: Trial, each: Occurrence, traits: Traits) -> Iterator[Breach]:
    """Yield what is due only when the plan itself calls it useless, so that it can never go out."""
    until = trial.resolved.anchors.get(traits.elapsed_until)
    if until is not None and each.planned_at > until:
        text = english("is due at {at}, but useful until {until} only").format(
            at=_clock(trial, each.planned_at), until=_clock(trial, until)
        )
        yield Breach(rule="useful_until", key=each.key, field="when", message=text)


def _next_time(trial: Trial) -> Iterator[Breach]:
    """Yield what may still be sent when its next time has come, or when the patient was told to stop it."""
    for key, useful in _repeating(trial.plan):
        planned = sorted([each.planned_at for _, each in trial.said.get(key, ())])
        for one, after in pairwise(planned):
            if one + useful > after:
                text = english("the one of {one} may still go out when the next is due at {next}").format(
                    one=_clock(trial, one), next=_clock(trial, after)
                )
                yield Breach(rule="useful_until", key=key, field="useful_hours", message=text)
                break
        end = trial.told_to_stop.get(key) if planned else None
        if end is not None and planned[-1] < end < planned[-1] + useful:
            text = english("may still go out after the patient is told to stop, at {moment}").format(
                moment=_clock(trial, end)
            )
            yield Breach(rule="useful_until", key=key, field="useful_hours", message=text)


@lru_cache(maxsize=16)
def _repeating(plan: Plan) -> tuple[tuple[str, timedelta], ...]:
    """Return the instructions that are said each day, and how long each time is useful."""
    return tuple((key, each.repeats_for) for key, each in traits_of(plan).items() if each.repeats_for is not None)


def _never_said(trial: Trial) -> Iterator[Breach]:
    for instruction in trial.applying:
        if instruction.required and instruction.key not in trial.said:
            # Settings may leave no day for what is repeated between two of them; that is for the clinician to see.
            chosen = any(isinstance(when, EachDay) for when in instruction.when) and bool(trial.case.settings)
            always = english("is required, but has no moment at all in this course")
            text = english("is required, but has no moment at all in this course with these settings")
            text = text if chosen else always
            yield Breach(rule="required_lost", key=instruction.key, field="when", message=text, notice=chosen)


def _after_wear_off(trial: Trial, key: str) -> Iterator[Breach]:
    """Yield pain relief of which nothing reaches the patient before the block may wear off."""
    said = trial.said.get(key)
    events = [trial.resolved.anchors[name] for name in _wearing_off(trial.plan)] if said else None
    if not said or not events:
        return
    event = min(events)
    if any(message.outcome is Outcome.AT_CHECKOUT for message, _ in said):
        return
    sent = [(message.send_at, each.planned_at) for message, each in said if message.outcome is Outcome.SCHEDULED]
    if sent and (min(sent)[0] > event or min(sent)[1] >= event):
        text = english("goes out at {at}, but the block may wear off at {event}").format(
            at=_clock(trial, min(sent)[0]), event=_clock(trial, event)
        )
        yield Breach(rule="after_wear_off", key=key, field="when", message=text)


def _daily_limit(trial: Trial) -> Iterator[Breach]:
    zone, limit = trial.resolved.course.zone, trial.rules.daily_limit
    scheduled = [message for message in trial.messages if message.outcome is Outcome.SCHEDULED]
    days = Counter([local_day(message.send_at, zone) for message in scheduled])
    for day, number in days.items():
        if number > limit:
            messages = [message for message in scheduled if local_day(message.send_at, zone) == day]
            keys = ", ".join(message.first.key for message in messages)
            text = english("{count} messages on {date} ({keys}); at most {limit} a day may be sent").format(
                count=len(messages), date=day.isoformat(), keys=keys, limit=limit
            )
            last = max(messages, key=lambda message: message.importance)
            yield Breach(rule="daily_limit", key=last.first.key, field="required", message=text)


def _contradictions(trial: Trial) -> Iterator[Breach]:
    ends = {
        key: end
        for key, end in trial.told_to_stop.items()
        if any(m.outcome is Outcome.SCHEDULED and m.send_at >= end for m, _ in trial.said.get(key, ()))
    }
    for message, each in trial.occurrences() if ends else ():
        end = ends.get(each.key)
        if end is not None and message.outcome is Outcome.SCHEDULED and message.send_at >= end:
            stop = _who_stops(trial, each.key)
            text = english("says the opposite at {moment}, but {key} still goes out at {at}").format(
                moment=_clock(trial, end), key=each.key, at=_clock(trial, message.send_at)
            )
            yield Breach(rule="contradiction", key=stop, field="when", message=text)
            return


def _nothing_to_stop(trial: Trial) -> Iterator[Breach]:
    keys = {each.key for each in trial.applying}
    for instruction in trial.applying:
        for stopped in instruction.contradicts:
            if stopped not in keys:
                text = english("ends {key}, of which this patient was never told").format(key=stopped)
                yield Breach(rule="required_gap", key=stopped, field="only_if_any", message=text)


def _desk_message(trial: Trial) -> Iterator[Breach]:
    """Yield what is said at the desk and stands on the sheet, but in no message."""
    at_checkout = [message for message in trial.messages if message.outcome is Outcome.AT_CHECKOUT]
    spoken = {each.text_name: each.key for message in at_checkout for each in message.members}
    desk, end = trial.plan.file.desk_message, trial.resolved.course.procedure_end
    at_once = any(message.send_at == end for message, _ in trial.said.get(desk, ()))
    if spoken and not at_once:
        text = english("waits for the end of quiet hours, so what is said at the desk stands on the sheet only")
        yield Breach(rule="at_checkout", key=desk, field="when", message=text, notice=True)
        return
    put_in = {each.text_name for message in trial.messages for each in message.said_now}
    for name, key in spoken.items():
        if name not in put_in:
            text = english("is said at the desk and printed on the sheet only: it does not fit into the desk message")
            yield Breach(rule="at_checkout", key=key, field="when", message=text, notice=True)


_WHOLE: tuple[Callable[[Trial], Iterator[Breach]], ...] = (
    _daily_limit,
    _contradictions,
    _nothing_to_stop,
    _desk_message,
)


def _who_stops(trial: Trial, key: str) -> str:
    return next(each.key for each in trial.plan.instructions if key in each.contradicts)


def _wears_off(trial: Trial, anchor: str) -> bool:
    return anchor in _wearing_off(trial.plan)


@lru_cache(maxsize=16)
def _wearing_off(plan: Plan) -> tuple[str, ...]:
    """Return the anchors at which a block wears off, sooner where its agent says so."""
    return tuple(name for name, derived in plan.file.anchors.items() if derived.or_sooner_by is not None)


def _useful_field(instruction: Instruction) -> str:
    return "useful_until" if instruction.useful_until else "useful_hours"


def _clock(trial: Trial, instant: datetime) -> str:
    return clock_text(instant, trial.resolved.course)
