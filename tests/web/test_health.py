"""What the server of the pages tells whoever restarts it or routes to it."""

from __future__ import annotations

from datetime import timedelta
from functools import partial

import httpx
import pytest
from sqlalchemy import text

from reminders.delivery import watch
from tests.desk.office import Office
from tests.web.server import serving

get, head = (partial(each, timeout=60) for each in (httpx.get, httpx.head))


@pytest.mark.parametrize("path", ["/healthz", "/readyz"])
@pytest.mark.parametrize("dispatches", [True, False], ids=["sends too", "pages only"])
def test_a_server_that_is_well_says_so_to_anybody(office: Office, path: str, dispatches: bool) -> None:
    with serving(office.app, dispatches=dispatches) as server:
        answer = get(server.base + path)
        assert head(server.base + path).status_code == 200
    assert (answer.status_code, answer.text) == (200, "ok\n")


def test_dispatching_that_stands_still_is_told_by_the_process_that_dispatches(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watch, "STALLED_AFTER", timedelta(0))
    with serving(office.app, dispatches=True) as server:
        stalled = [get(server.base + path) for path in ("/healthz", "/readyz")]
    with serving(office.app) as server:
        pages_only = [get(server.base + path).status_code for path in ("/healthz", "/readyz")]
    assert [each.status_code for each in stalled] == [503, 503]
    assert "stood still" in stalled[0].text
    assert pages_only == [200, 200]


@pytest.mark.parametrize("dispatches", [True, False], ids=["sends too", "pages only"])
def test_without_its_database_a_server_lives_and_is_not_ready(office: Office, dispatches: bool) -> None:
    with office.database.writing() as session:
        session.execute(text("UPDATE alembic_version SET version_num = '0000'"))
    with serving(office.app, dispatches=dispatches) as server:
        assert get(f"{server.base}/healthz").status_code == 200
        answer = get(f"{server.base}/readyz")
    assert answer.status_code == 503
    assert "schema 0000" in answer.text


def test_a_server_that_is_being_stopped_is_not_ready(office: Office) -> None:
    with serving(office.app) as running:
        assert get(f"{running.base}/readyz").status_code == 200
        running.pages.state.site.closing.set()
        answer = get(f"{running.base}/readyz")
    assert (answer.status_code, answer.text) == (503, "it is being stopped\n")
