"""Long lists a page after the other: in order, whatever the size of a page, and only what is asked for."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from reminders.desk.concern_list import concern_page
from reminders.desk.message_list import message_page
from reminders.records.finding import Place, Window
from reminders.records.message_states import MessageState
from tests.databases import database_kind
from tests.desk.office import Office, at

__all__ = ["database_kind"]


def messages(office: Office, *states: MessageState, limit: int, since: str = "", until: str = "") -> Iterator[int]:
    """The messages of every page."""
    after: Place | None = None
    while True:
        window = Window(since=at(since) if since else None, until=at(until) if until else None, after=after)
        with office.database.reading() as session:
            page = message_page(session, office.desk, window, states=states, limit=limit)
        yield from (each.id for each in page.messages)
        after = page.goes_on
        if after is None:
            return


@pytest.mark.parametrize("limit", [1, 7, 200])
def test_every_message_is_on_one_page_in_the_order_of_sending(office: Office, limit: int) -> None:
    office.enroll()
    office.enroll(phone="312-555-0124")  # the same moments once more
    wanted = [each.id for each in sorted(office.messages(), key=lambda each: (each.send_at, each.id))]
    assert len(wanted) > 40
    assert list(messages(office, limit=limit)) == wanted


@pytest.mark.parametrize("limit", [1, 7, 200])
def test_pages_hold_the_states_and_times_that_are_asked_for(office: Office, limit: int) -> None:
    office.enroll()
    office.play("2026-06-12T10:00")
    since, until = "2026-06-11T00:00", "2026-06-12T08:00"
    states = (MessageState.SENT, MessageState.WITHHELD)
    wanted = {each.id for each in office.messages() if each.state in states and at(since) <= each.send_at < at(until)}
    found = list(messages(office, *states, limit=limit, since=since, until=until))
    assert len(wanted) > 1
    assert (set(found), len(found)) == (wanted, len(wanted))


def test_concerns_are_paged_by_number(office: Office) -> None:
    for number in range(7):
        office.reply("there is pus", sender=f"+1312555011{number}")
    seen: list[int] = []
    more = True
    while more:
        with office.database.reading() as session:
            page, more = concern_page(session, office.desk, states=["open"], after=max(seen, default=0), limit=3)
        seen += [each.id for each in page]
        assert len(page) == (3 if more else 1)
    assert seen == sorted(each.id or 0 for each in office.concerns())
