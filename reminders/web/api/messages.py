"""See the messages of the practice by time and state, a page after the other."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Query
from fastapi.responses import Response
from sqlalchemy.orm import Session

from reminders.desk.api_keys import Scope
from reminders.desk.message_list import message_page
from reminders.desk.shapes import message_as_json
from reminders.records.finding import Window
from reminders.records.message_states import MessageState
from reminders.web.api import told
from reminders.web.api.call import Calling, Operation, Told
from reminders.web.api.described import asks
from reminders.web.api.fields import Moment
from reminders.web.api.paging import Cursor, Limit, link_to, next_page, place_at

router = APIRouter(prefix="/messages", route_class=Operation, tags=["messages"])
States = Annotated[list[MessageState] | None, Query(max_length=10, description="Only in these; repeatable.")]
Since = Annotated[Moment | None, Query(description="Only those whose `send_at` is not before this moment.")]
Until = Annotated[Moment | None, Query(description="Only those whose `send_at` is before this moment.")]


def _window(since: Since = None, until: Until = None, cursor: Cursor = None) -> Window:
    return Window(since=since, until=until, after=place_at(cursor))


@router.get("", response_model=told.Messages, openapi_extra=asks(Scope.MESSAGES_READ, "paged"))
def list_messages(
    call: Calling,
    window: Annotated[Window, Depends(_window)],
    state: States = None,
    limit: Limit = 50,
) -> Response:
    """List messages by `send_at`. A page may be short, or empty, and still name a next one: go on until none does."""

    def look(session: Session) -> Told:
        found = message_page(session, call.desk, window, states=frozenset(state or ()), limit=limit)
        call.looks.extend((each.patient_id, "") for each in found.messages)
        page = next_page(call.request, found.goes_on)
        shown = {"messages": [message_as_json(each) for each in found.messages], "next": page}
        return Told(body=told.Messages.model_validate(shown), headers=link_to(page))

    return call.tell(look)
