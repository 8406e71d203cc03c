"""What is done with the answers of the list of known weaknesses; a server on loopback answers in its place.

The form of question and answer is the list's own: https://google.github.io/osv.dev/post-v1-querybatch/
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from typing import Any

import pytest

from tests import advisories

Answer = Callable[[dict[str, Any]], Any]


@pytest.fixture
def listing() -> Iterator[Callable[[Answer], str]]:
    """Serve a list that answers as it is told; returns its address."""
    servers: list[HTTPServer] = []

    def serve(answer: Answer) -> str:
        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                asked = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
                self.send_response(200)
                self.end_headers()
                self.wfile.write(json.dumps(answer(asked)).encode())

            def log_message(self, *_said: object) -> None:
                pass

        servers.append(HTTPServer(("127.0.0.1", 0), Handler))
        threading.Thread(target=servers[-1].serve_forever, daemon=True).start()
        return f"http://127.0.0.1:{servers[-1].server_port}/"

    yield serve
    for server in servers:
        server.shutdown()
        server.server_close()


def weak(*names: str) -> Answer:
    """Answer that these packages have an advisory."""
    return lambda asked: {
        "results": [
            {"vulns": [{"id": "EXAMPLE-1", "modified": "2026-01-01T00:00:00Z"}]}
            if each["package"]["name"] in names
            else {}
            for each in asked["queries"]
        ]
    }


def test_every_locked_package_is_asked_about_with_its_version(listing: Callable[[Answer], str]) -> None:
    seen: list[dict[str, Any]] = []

    def see(asked: dict[str, Any]) -> Any:
        seen.append(asked)
        return weak()(asked)

    assert advisories.main(listing(see)) == 0
    (asked,) = seen
    found = {each["package"]["name"]: each["version"] for each in asked["queries"]}
    assert found == advisories.locked()
    assert {each["package"]["ecosystem"] for each in asked["queries"]} == {"PyPI"}
    assert {"sqlalchemy", "fastapi", "pytest"} <= set(found)


def test_a_known_weakness_is_named_and_fails(
    listing: Callable[[Answer], str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert advisories.main(listing(weak("jinja2"))) == 1
    assert capsys.readouterr().out == f"jinja2 {advisories.locked()['jinja2']}: EXAMPLE-1\n"


@pytest.mark.parametrize(
    "answer", [lambda _asked: {"results": []}, lambda _asked: {}, lambda _asked: []], ids=["short", "empty", "other"]
)
def test_an_answer_that_is_none_is_told_apart_from_a_good_one(
    answer: Answer, listing: Callable[[Answer], str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert advisories.main(listing(answer)) == advisories.UNKNOWN
    assert "NOT ASKED" in capsys.readouterr().err


def test_a_list_that_cannot_be_reached_is_told_apart_from_a_good_answer(capsys: pytest.CaptureFixture[str]) -> None:
    assert advisories.main("http://127.0.0.1:9/") == advisories.UNKNOWN
    assert "NOT ASKED" in capsys.readouterr().err
