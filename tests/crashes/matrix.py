"""Two workers killed at once, each at a named step, and what has to be true afterwards whatever the steps were."""

from __future__ import annotations

import json
import os
import signal
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import select

from reminders.assembly import App
from reminders.clock import VirtualClock
from reminders.config import Config, PracticeSection
from reminders.delivery import failpoints
from reminders.delivery.incoming import Arrival, Incoming, IncomingReply, Receipt
from reminders.delivery.outgoing import LookUp, Outgoing, Result
from reminders.delivery.transports.file import FileTransport
from reminders.records.tables import MESSAGES, Message, Reply
from reminders.records.tables_concerns import Concern, ConcernEvent
from tests.delivery.scripted import dispatcher
from tests.delivery.worker import BATCH, SmallFileTransport, in_child
from tests.servers import open_database, write_keys
from tests.stored import NOON, add_course, end_leases, row, soaks, store

LEASE = timedelta(days=1)
PAIRS = tuple((one, other) for one in failpoints.POINTS for other in failpoints.POINTS)
WRITER = "+12025550199"
_PER_ROUND = 4 * BATCH
_LEFT = 6
"""Messages in the hands of a worker that died long ago, so that there is something to recover."""
_AT_RISK = frozenset({"after-claim", "before-hand-over", "in-hand-over", "after-hand-over", "before-settle"})
"""Steps at which a batch is in a worker's hands."""


class OneByOne(SmallFileTransport):
    """Hands over and answers one message after the other, as a gateway does; a batch may be half gone."""

    def hand_over(self, batch: Iterable[Outgoing]) -> Iterator[Result]:
        for message in batch:
            yield from FileTransport.hand_over(self, [message])


class OneByOneForgetful(OneByOne):
    """Can't tell later what went out, as most gateways can't."""

    def look_up(self, keys: Collection[str]) -> LookUp:
        return LookUp()


@dataclass
class Matrix:
    """One database and one outbox through any number of rounds."""

    url: str
    folder: Path
    forgetful: bool
    kills: int = 0
    missed: int = 0
    """Workers that ended by themselves before they came to their step."""
    at_risk: int = 0
    """Hand-overs that were in flight at the kills, at most."""
    rounds: int = 0
    begun: dict[str, int] = field(default_factory=Counter)
    """Kills by step."""

    def begin(self) -> None:
        """Store the practice and its one course, and read one reply: what that loads, the workers find loaded."""
        database = open_database(self.url)
        add_course(database)
        database.close()
        self._work(NOON, [_reply("reply-0")])

    def run(self, pair: tuple[str, str]) -> None:
        """Kill two workers at their steps, let what they left come in again, and dispatch the rest."""
        now = NOON + timedelta(minutes=20 * self.rounds)
        self.rounds += 1
        incoming = self._stock(now)
        workers = [in_child(lambda: self._work(now, incoming), failpoint=point) for point in pair]
        for point, worker in zip(pair, workers, strict=True):
            _, status = os.waitpid(worker, 0)
            if os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL:
                self.kills += 1
                self.begun[point] += 1
                self.at_risk += BATCH if point in _AT_RISK else 0
            elif os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0:
                self.missed += 1
            else:
                raise AssertionError(f"a worker ended with {status} at {point}")
        self._end_leases()
        for minutes in (0, 5, 15):  # what is resent is due some minutes later
            self._work(now + timedelta(minutes=minutes), incoming)
            self._end_leases()

    def check(self) -> dict[str, int]:
        """Assert what has to be true; return the figures."""
        database = open_database(self.url)
        with database.reading() as session:
            messages = session.execute(select(Message).order_by(MESSAGES.c.id)).scalars().all()
            told = {each.about for each in session.execute(select(Concern)).scalars()}
            replies = session.execute(select(Reply)).scalars().all()
            events = session.execute(select(ConcernEvent)).scalars().all()
        database.close()
        went_out = self._went_out()
        uncertain = [each for each in messages if each.state == "uncertain"]
        twice = {number: times for number, times in went_out.items() if times > 1}
        assert not [each.id for each in messages if each.in_doubt == "hold" and went_out[_id(each)] > 1]
        assert not [each.id for each in uncertain if f"enrollment 1: {each.key}" not in told]
        lost = [
            each.id
            for each in messages
            if each.state not in {"sent", "delivered", "uncertain"}
            or (each.state in {"sent", "delivered"} and not went_out[_id(each)])
        ]
        assert lost == []
        doubts = len(uncertain) + sum(times - 1 for times in twice.values())
        assert doubts <= (self.at_risk + _LEFT * self.rounds if self.forgetful else 0)
        assert sum(each.state == "delivered" for each in messages) >= self.rounds
        refs = Counter(each.gateway_ref for each in replies)
        assert set(refs.values()) == {1}
        assert len(refs) == 2 * self.rounds + 1
        assert {each.id for each in replies} <= {each.reply_id for each in events}
        return {
            "rounds": self.rounds,
            "kills": self.kills,
            "not_reached": self.missed,
            "messages": len(messages),
            "lost": 0,
            "medicine_twice": 0,
            "in_flight_at_kills": self.at_risk,
            "uncertain": len(uncertain),
            "sent_again": sum(times - 1 for times in twice.values()),
            "replies": len(replies),
        }

    def _stock(self, now: datetime) -> tuple[Incoming, ...]:
        """Store the messages of a round; return what comes in meanwhile: receipts for one sent before, and replies."""
        database = open_database(self.url)
        useful_until = now + timedelta(days=30)
        first = 1 + 1000 * self.rounds
        rows = [
            row(
                first + number,
                due_at=now,
                useful_until=useful_until,
                in_doubt="hold" if number % 3 == 0 else "resend",
                key="pain_relief" if number % 3 == 0 else "warning_signs",
            )
            for number in range(_PER_ROUND)
        ]
        left: dict[str, Any] = {"state": "sending", "claim_token": "dead", "lease_until": now, "handed_at": now}
        rows += soaks(
            _LEFT, first=first, due_at=now, useful_until=useful_until, in_doubt="hold", transport="file", **left
        )
        sent = row(first + 500, due_at=now, state="sent", handed_at=now, transport="file", useful_until=useful_until)
        *_, last = store(database, *rows, sent)
        name = database.installation_name()
        database.close()
        FileTransport(self.folder, now=lambda: now, letterheads={}).close()
        with (self.folder / "messages.jsonl").open("a") as lines:
            lines.write(json.dumps({"key": f"{name}-{last}"}) + "\n")
        receipt = Receipt(transport="file", arrival=Arrival.DELIVERED, key=f"{name}-{last}")
        return (receipt, _reply(f"reply-{self.rounds}-1"), _reply(f"reply-{self.rounds}-2"))

    def _work(self, now: datetime, incoming: Sequence[Incoming]) -> None:
        """Do what one worker does: take in what came, which a gateway offers until it is taken, and dispatch."""
        database = open_database(self.url)
        clock = VirtualClock(now)
        write_keys(self.folder)
        app = App(_CONFIG.model_copy(update={"database": self.url, "folder": self.folder}), clock)
        app.intake.take_in(incoming)
        kind = OneByOneForgetful if self.forgetful else OneByOne
        transport = kind(self.folder, now=clock.now, letterheads={})
        worker = dispatcher(database, transport, clock=clock, lease=LEASE, quiet=())
        worker.run_once()
        worker.close()
        app.database.close()
        database.close()

    def _end_leases(self) -> None:
        """Let the lease of what dead workers had in hand be over: in earnest that takes `lease_seconds`, 120."""
        database = open_database(self.url)
        end_leases(database)
        database.close()

    def _went_out(self) -> Counter[int]:
        lines = (self.folder / "messages.jsonl").read_text("utf-8").splitlines()
        return Counter(int(json.loads(line)["key"].rpartition("-")[2]) for line in lines)


def _reply(ref: str) -> IncomingReply:
    text = "It is bleeding through the dressing and will not stop"
    return IncomingReply(channel="sms", sender=WRITER, text=text, gateway_ref=ref)


def _id(message: Message) -> int:
    assert message.id is not None
    return message.id


_CONFIG = Config(practice=PracticeSection(name="Example", zone="America/Los_Angeles", phone="212-555-0100"))
