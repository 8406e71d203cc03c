"""The search for traces finds a word however it is written; else the tests that rely on it could not fail."""

from __future__ import annotations

import base64
import json
from urllib.parse import quote, quote_plus

import pytest

from tests.records.traces import held

WORD = "Zébedee"


@pytest.mark.parametrize(
    "written",
    [
        pytest.param(WORD.encode(), id="UTF-8"),
        pytest.param(WORD.upper().encode(), id="capitals"),
        pytest.param(WORD.encode("utf-16"), id="UTF-16"),
        pytest.param(WORD.encode("utf-16-be"), id="UTF-16, other order"),
        pytest.param(quote(WORD).encode(), id="percent"),
        pytest.param(quote_plus(f"to {WORD}").encode(), id="form"),
        pytest.param(json.dumps({"to": WORD}).encode(), id="JSON"),
        pytest.param(WORD.encode().hex().encode(), id="hexadecimal"),
        *(pytest.param(base64.b64encode(b"x" * n + WORD.encode() + b"y"), id=f"base64 at {n}") for n in range(4)),
    ],
)
def test_a_word_is_found(written: bytes) -> None:
    assert held(b"before " + written + b" after", [WORD, "Quill"]) == [WORD]
