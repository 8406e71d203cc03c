"""Writes down what became of messages, and tells staff once where they have to step in."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from random import Random

from sqlalchemy.orm import Session

from reminders.care.values import InDoubt as WhenInDoubt
from reminders.delivery.bad_address import BadContact, stop_sending_to
from reminders.delivery.gate import Wait, Withhold
from reminders.delivery.outgoing import Accepted, OtherWay, Result, no_other_way
from reminders.delivery.report import DispatchReport
from reminders.delivery.retry import next_try
from reminders.errors import BadAddress, InDoubt, Refused, Throttled, Unreachable
from reminders.records.concerns_once import Trouble, open_once, trouble_of
from reminders.records.message_changes import Held, accept, change_by_id, change_held, postpone, withhold_joined
from reminders.records.message_states import MessageEvent
from reminders.records.outbox import DueMessage, LapsedMessage, Queue
from reminders.records.queue_health import Health
from reminders.sentences import english
from reminders.words import marked

_NOT_TAKEN_WAITS = timedelta(seconds=1)
_TRIES_UNDER_ONE_KEY = 3
"""They follow within minutes; gateways keep their keys for hours at least (common practice, no source)."""
_BY = marked("delivery")
_NAMES = {"sms": "SMS", "email": english("e-mail")}


@dataclass(frozen=True, kw_only=True)
class NotTaken:
    """The message was claimed, but its hand-over never began."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Outcome:
    """How one claim ended."""

    message: DueMessage | LapsedMessage
    token: str
    tries: int
    """Hand-overs begun, with this one."""
    result: Result | NotTaken
    again_is_safe: bool = False
    """Whether the other side drops a second one under the same key."""
    can_be_asked: bool = False
    """Whether the other side tells, a while later, what it got: then a doubt stays open until the lease ends."""

    @property
    def may_go_again(self) -> bool:
        """Say whether a doubt may be resolved by one more try, whatever the message says."""
        return self.again_is_safe and self.tries <= _TRIES_UNDER_ONE_KEY


@dataclass(frozen=True, kw_only=True)
class Settler:
    """Settles outcomes within the caller's transaction; a claim that is no longer the worker's changes nothing."""

    concern_due: Callable[[str, datetime], datetime]
    """When a concern of an urgency, opened at an instant, has to be dealt with."""
    random: Random
    other_way: OtherWay = no_other_way

    def settle(
        self, session: Session, outcomes: Sequence[Outcome], now: datetime, *, everything_is_refused: bool = False
    ) -> DispatchReport:
        """Write down every outcome, all of one practice; return how many there were of each kind.

        When everything is refused, staff are told of that rather than of each message.
        """
        report = DispatchReport()
        if not outcomes:
            return report
        accepted = [
            (Held(id=each.message.id, token=each.token), each.result.ref)
            for each in outcomes
            if isinstance(each.result, Accepted)
        ]
        report.sent = accept(session, outcomes[0].message.practice_id, accepted, now)
        report.late = len(accepted) - report.sent
        for each in outcomes:
            if isinstance(each.result, InDoubt) and each.can_be_asked:
                report.waits += 1
            elif not isinstance(each.result, Accepted):
                kind = self._settle_other(session, each, now, everything_is_refused=everything_is_refused)
                setattr(report, kind, getattr(report, kind) + 1)
        return report

    def withhold(self, session: Session, message: DueMessage, verdict: Withhold, now: datetime) -> None:
        """Write down that a due message stays here for good."""
        values = {"detail": verdict.detail, "settled_at": now}
        if not change_by_id(session, MessageEvent.WITHHOLD, message.id, **values):
            return
        if verdict.other_way and self.other_way(session, message.id, surely=True):
            return
        joined = withhold_joined(
            session,
            message.id,
            detail=english("was part of {key}: {why}").format(key=message.key, why=verdict.detail),
            at=now,
        )
        if verdict.tell_staff:
            self._tell(
                session,
                message,
                english("{keys} was not sent: {why}.").format(
                    keys=", ".join((message.key, *joined)), why=verdict.detail
                ),
                now,
            )

    def wait(self, session: Session, message: DueMessage, verdict: Wait) -> None:
        """Write down that a due message is due later."""
        postpone(session, message.id, until=verdict.until, detail=verdict.detail)

    def tell_of_broken(self, session: Session, queue: Queue, health: Health, now: datetime) -> None:
        """Tell staff that a way out is broken; the caller sees to it that this is said once."""
        since = health.in_vain_since or now
        minutes = (now - since) // timedelta(minutes=1)
        summary = english(
            "No {what} can be sent since {minutes} minutes; it is tried again all the time. What becomes useless "
            "meanwhile is withheld: `reminders messages --state withheld`."
        ).format(what=_NAMES.get(queue.channel, queue.channel), minutes=minutes)
        self._tell_of_way_out(session, queue.practice_id, f"way out: {queue.channel}", summary, now)

    def _settle_other(self, session: Session, outcome: Outcome, now: datetime, *, everything_is_refused: bool) -> str:
        """Settle what was not accepted; return the name of its figure in the report."""
        message, result = outcome.message, outcome.result
        held = Held(id=message.id, token=outcome.token)
        if isinstance(result, InDoubt):
            return self._settle_doubt(session, outcome, result, now)
        if isinstance(result, Refused):
            values = {"detail": english("refused: {why}").format(why=result), "settled_at": now}
            if not change_held(session, MessageEvent.REFUSE, held, **values):
                return "late"
            untold = self._settle_refused(session, message, result, now)
            if untold and everything_is_refused:
                self._tell_of_refusals(session, message, result, now)
            elif untold:
                said = english("{what} was refused and can't be sent: {why}.").format(what=untold, why=result)
                self._tell(session, message, said, now)
            return "failed"
        if isinstance(result, Throttled):
            # It keeps its place: the queue as a whole waits.
            values = {
                "due_at": now,
                "attempts": outcome.tries - 1,
                "detail": english("too fast: {why}").format(why=result),
            }
        elif isinstance(result, Unreachable):
            due_at = next_try(outcome.tries, now=now, useful_until=message.useful_until, random=self.random)
            values = {
                "due_at": due_at,
                "detail": english("tried {count} times: {why}").format(count=outcome.tries, why=result),
            }
        else:
            values = {"due_at": now + _NOT_TAKEN_WAITS, "attempts": outcome.tries - 1}
        return "waits" if change_held(session, MessageEvent.RELEASE, held, **values) else "late"

    def _settle_refused(
        self, session: Session, message: DueMessage | LapsedMessage, result: Refused, now: datetime
    ) -> str:
        """Stop sending to an address that does not work, or say it by another channel; else return what is not said."""
        told = 0
        if isinstance(result, BadAddress) and isinstance(message, DueMessage):
            bad = BadContact(
                practice_id=message.practice_id, channel=message.channel, address=message.address, detail=str(result)
            )
            told = stop_sending_to(session, bad, now=now, concern_due=self.concern_due)
        if self.other_way(session, message.id, surely=True):
            return ""
        joined = withhold_joined(
            session, message.id, detail=english("was part of {key}, which was refused").format(key=message.key), at=now
        )
        if told and message.in_doubt != WhenInDoubt.HOLD:
            return ""
        return ", ".join((message.key, *joined))

    def _tell_of_refusals(
        self, session: Session, message: DueMessage | LapsedMessage, result: Refused, now: datetime
    ) -> None:
        summary = english(
            "Every {what} is refused by the other side now: {why}. Mend the way out, and tell the patients: "
            "`reminders messages --state failed` lists what they lack."
        ).format(what=_NAMES.get(message.channel, message.channel), why=result)
        self._tell_of_way_out(session, message.practice_id, f"refused: {message.channel}", summary, now)

    def _tell_of_way_out(self, session: Session, practice_id: str, about: str, summary: str, now: datetime) -> None:
        trouble = Trouble(
            practice_id=practice_id,
            patient_id=None,
            enrollment_id=None,
            kind="delivery",
            about=about,
            urgency="urgent",
            summary=summary,
            opened_at=now,
            due_at=self.concern_due("urgent", now),
        )
        open_once(session, trouble, by=_BY)

    def _settle_doubt(self, session: Session, outcome: Outcome, result: InDoubt, now: datetime) -> str:
        message = outcome.message
        held = Held(id=message.id, token=outcome.token)
        if not change_held(session, MessageEvent.DOUBT, held, detail=str(result), settled_at=now):
            return "late"
        again = message.in_doubt == WhenInDoubt.RESEND or outcome.may_go_again
        if again and now <= message.useful_until:
            due_at = next_try(outcome.tries, now=now, useful_until=message.useful_until, random=self.random)
            change_by_id(session, MessageEvent.RESEND, message.id, due_at=due_at, settled_at=None)
            return "resent"
        self._tell(
            session,
            message,
            english("{keys} may or may not have reached the patient, and was not sent again: {why}.").format(
                keys=message.key, why=result
            ),
            now,
            hold=message.in_doubt == WhenInDoubt.HOLD,
        )
        return "uncertain"

    def _tell(
        self, session: Session, message: DueMessage | LapsedMessage, summary: str, now: datetime, *, hold: bool = False
    ) -> None:
        """Open a concern about a required message; about medicine in doubt always, and sooner."""
        if not (message.required or hold):
            return
        urgency = "urgent" if hold or message.kind == "staff" else "routine"
        trouble = trouble_of(message, urgency, summary, now=now, due_at=self.concern_due(urgency, now))
        open_once(session, trouble, by=_BY)
