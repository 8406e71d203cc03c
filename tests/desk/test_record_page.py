"""The chart record as a page: all of it, nothing run and nothing fetched, whatever patients write."""

from __future__ import annotations

import re

from reminders.desk.chart_record import ChartRecord, chart_record
from reminders.desk.record_page import record_page
from reminders.words import speaking
from tests.desk.office import Office


def _record(office: Office, enrollment_id: int) -> ChartRecord:
    with office.database.reading() as session:
        return chart_record(session, office.desk, enrollment_id)


def _played(office: Office) -> ChartRecord:
    enrolled = office.enroll(visit="2026-06-24T10:00")
    office.play("2026-06-12T12:00")
    office.reply("it is red and hot up to my ankle <script>alert(1)</script>")
    return _record(office, enrolled.enrollment_id)


def test_the_page_holds_every_text_reason_and_deed(office: Office) -> None:
    record = _played(office)
    page = record_page(record, made_at=office.clock.now())
    shown = page.replace("&#39;", "'").replace("&#34;", '"').replace("&amp;", "&")
    for message in record.messages:
        assert message.text.strip() in shown
        assert all(reason.text.replace("_", " ") in shown for reason in message.reasons)
    assert record.plan.content_hash in shown
    assert all(step.wording in shown for step in record.consent)
    assert all(f"<td>{concern.id} (" in shown for concern in record.concerns)


def test_what_a_patient_writes_runs_nowhere_and_the_page_fetches_nothing(office: Office) -> None:
    page = record_page(_played(office), made_at=office.clock.now())
    assert "&lt;script&gt;alert(1)" in page
    assert not re.search(r"<script|\ssrc=|\shref=|url\(|@import", page)


def test_the_page_speaks_the_language_of_the_staff(office: Office) -> None:
    record = _played(office)
    for code, direction in (("es", "ltr"), ("ar", "rtl")):
        with speaking(code):
            page = record_page(record, made_at=office.clock.now())
        assert f'<html lang="{code}" dir="{direction}">' in page
        assert "<h2>Messages</h2>" not in page
