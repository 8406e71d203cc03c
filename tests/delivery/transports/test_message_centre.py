"""A message centre that somebody else wrote (`smpp34`'s server), from the bind to the receipt in the database."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest
import smpp34

from reminders.clock import VirtualClock
from reminders.delivery.incoming import IncomingReply
from reminders.delivery.intake import Intake
from reminders.delivery.transports.smpp import SmppTransport
from reminders.records.database import Database
from tests.delivery.peers.smpp import section
from tests.delivery.scripted import dispatcher
from tests.stored import NOON, add_course, into, row, states, store
from tests.waiting import free_port


class Centre:
    """Runs the server in a thread of its own, gives every message an id, and sends what it is told."""

    def __init__(self) -> None:
        self.port = free_port()
        self.submits: list[Any] = []
        self.session: Any = None
        self._loop = asyncio.new_event_loop()
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._loop.run_until_complete, args=(self._serve(),), daemon=True)
        self._thread.start()
        assert self._ready.wait(5)

    def deliver(self, message: bytes, **fields: Any) -> bool:
        """Send a deliver_sm and tell whether it was acknowledged."""
        sent: Future[Any] = asyncio.run_coroutine_threadsafe(self._deliver(message, fields), self._loop)
        return bool(sent.result(5).is_success)

    def stop(self) -> None:
        """End it."""
        asyncio.run_coroutine_threadsafe(self._end(), self._loop).result(5)
        self._thread.join(5)
        self._loop.close()

    async def _deliver(self, message: bytes, fields: dict[str, Any]) -> Any:
        return await self.session.deliver_sm("12025550100", message, source_addr="12025550143", **fields)

    async def _serve(self) -> None:
        self._server = smpp34.Server("127.0.0.1", self.port, system_id="centre")
        await self._server.start()
        self._task = asyncio.ensure_future(self._listen())
        self._ready.set()
        await asyncio.gather(self._task, return_exceptions=True)

    async def _end(self) -> None:
        await self._server.stop()
        self._task.cancel()

    async def _listen(self) -> None:
        while True:
            event = await self._server.next()
            if isinstance(event, smpp34.Esme):
                self.session = event
            elif isinstance(event, smpp34.SubmitSmEvent):
                self.submits.append(event)
                event.accept(f"centre-{len(self.submits)}")


@pytest.fixture
def centre() -> Iterator[Centre]:
    """The server."""
    running = Centre()
    yield running
    running.stop()


def test_messages_go_out_and_receipts_and_replies_come_in(database: Database, centre: Centre) -> None:
    add_course(database)
    store(database, row(1), row(2, text="a" * 161, segments=2), row(3, text="¿Cómo está?", encoding="ucs2"))
    clock = VirtualClock(NOON)
    replies: list[IncomingReply] = []
    intake = Intake(
        database,
        clock,
        practice_id="main",
        take_replies=into(replies),
        on_failure=lambda _, failure: None,
    )
    transport = SmppTransport(section(centre.port), folder=Path(), region="US", take_in=intake.take_in)
    worker = dispatcher(database, transport, clock=clock)
    worker.run_once()
    assert states(database) == ["sent"] * 3
    assert len(centre.submits) == 4
    for number, stat in enumerate(("DELIVRD", "DELIVRD", "DELIVRD", "UNDELIV"), start=1):
        assert centre.deliver(f"id:centre-{number} stat:{stat} err:000".encode(), esm_class=0x04)
    assert centre.deliver("sí, me duele".encode("utf-16-be"), data_coding=8, source_addr_ton=1)
    worker.close()
    assert sorted(states(database)) == ["delivered", "delivered", "failed"]
    assert [(each.sender, each.text) for each in replies] == [("+12025550143", "sí, me duele")]
