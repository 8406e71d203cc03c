"""What the desk does by itself again and again; each run is safe to repeat, by any number of processes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from reminders.config import Config
from reminders.delivery.runner import RecurringJob
from reminders.desk.api_answers import forget_answers
from reminders.desk.composing import Desk
from reminders.desk.digest import DigestTimes, send_digest
from reminders.desk.escalate import escalate_all, next_escalation_at
from reminders.desk.incoming_folder import take_in_files
from reminders.desk.other_way import attend_to_undelivered
from reminders.desk.retention import RetentionRules, purge_daily
from reminders.desk.silence import attend_to_failures, attend_to_silence
from reminders.desk.staff_tasks import open_due_tasks
from reminders.records.database import Database


@dataclass(frozen=True, kw_only=True)
class DeskWork:
    """The desk's own work; what it works by is asked for anew each time, as settings change while it runs."""

    database: Database
    desk: Callable[[], Desk]
    config: Callable[[], Config]
    retention: Callable[[], RetentionRules]
    tells_of_arrival: Callable[[], Sequence[str]]
    """The transports that send receipts."""

    def jobs(self) -> tuple[RecurringJob, ...]:
        """Return the jobs."""
        minute, hour = timedelta(minutes=1), timedelta(hours=1)
        incoming = self.config().incoming
        files = RecurringJob(name="files", every=timedelta(seconds=incoming.every_seconds), run=self._take_in_files)
        return (
            *((files,) if incoming.folder else ()),
            RecurringJob(name="retention", every=hour, run=self._purge),
            RecurringJob(name="api-answers", every=hour, run=self._doing(forget_answers)),
            RecurringJob(name="undelivered", every=minute, run=self._look_for_undelivered),
            RecurringJob(name="silence", every=minute, run=self._doing(attend_to_silence)),
            RecurringJob(name="tasks", every=minute, run=self._doing(open_due_tasks)),
            RecurringJob(name="digest", every=minute, run=self._send_digest),
            RecurringJob(name="failures", every=hour, run=self._doing(attend_to_failures)),
            RecurringJob(name="escalation", every=timedelta(seconds=10), run=self._escalate),
        )

    def _doing(self, work: Callable[[Database, Desk], object]) -> Callable[[], None]:
        def run() -> None:
            work(self.database, self.desk())

        return run

    def _escalate(self) -> datetime | None:
        escalate_all(self.database, self.desk())
        return next_escalation_at(self.database, self.desk())

    def _send_digest(self) -> None:
        times = self.config().digest
        at_wall = time.fromisoformat(times.at)
        when = DigestTimes(send=times.send, at_wall=at_wall, on_closed_days=times.on_closed_days)
        send_digest(self.database, self.desk(), when)

    def _look_for_undelivered(self) -> None:
        after = timedelta(minutes=self.config().delivery.undelivered_after_minutes)
        attend_to_undelivered(self.database, self.desk(), transports=self.tells_of_arrival(), after=after)

    def _take_in_files(self) -> None:
        config = self.config()
        if config.incoming.folder is not None:
            take_in_files(self.database, self.desk(), config.folder / config.incoming.folder)

    def _purge(self) -> None:
        if self.config().retention.purge:
            purge_daily(self.database, self.desk(), self.retention())
