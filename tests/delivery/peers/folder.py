"""A folder as the other side, whose disk can be full."""

from __future__ import annotations

import json
import resource
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from reminders.delivery.transports.file import FileTransport
from tests.delivery.peers.peer import Behaviour, Taken
from tests.delivery.peers.smtp import LETTERHEADS


class FolderPeer:
    """Takes every SMS; a file has no network that could break."""

    def __init__(self) -> None:
        self.behaviour = Behaviour.ACCEPT
        self.most_at_once = 0
        self._folder = TemporaryDirectory()
        self.transport = FileTransport(Path(self._folder.name), now=lambda: datetime.now(UTC), letterheads=LETTERHEADS)
        self._limits = resource.getrlimit(resource.RLIMIT_FSIZE)

    @property
    def taken(self) -> list[Taken]:
        """What stands in the file."""
        lines = (Path(self._folder.name) / "messages.jsonl").read_text("utf-8").splitlines()
        return [Taken(each["to"], each["text"]) for each in map(json.loads, lines)]

    def go_away(self) -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (0, self._limits[1]))

    def come_back(self) -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, self._limits)

    def close(self) -> None:
        self.come_back()
        self.transport.close()
        self._folder.cleanup()
