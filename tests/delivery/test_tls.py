"""A file of authorities that can't be used is told by the name of its setting, before anything is called."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from reminders.delivery.tls import client_context
from reminders.errors import ConfigError


@pytest.mark.parametrize("content", [None, b"", b"no certificate"], ids=["missing", "empty", "something-else"])
def test_a_file_without_certificates_is_refused_by_the_name_of_its_setting(
    content: bytes | None, tmp_path: Path
) -> None:
    path = tmp_path / "ca.pem"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(ConfigError, match=rf"^delivery\.smtp\.ca_file: {re.escape(str(path))} can't be used"):
        client_context(Path("ca.pem"), tmp_path, setting="delivery.smtp.ca_file")
