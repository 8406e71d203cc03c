"""Starts real servers from the system's packages, unprivileged and on loopback, and stops them again."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterable
from pathlib import Path

import trustme

_START_SECONDS = 15


class Processes:
    """Programs that share one folder; both go with `stop`."""

    def __init__(self, purpose: str) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix=f"reminders-{purpose}-"))
        self._running: list[subprocess.Popen[bytes]] = []
        self._as_user: list[str] = []
        if os.geteuid() == 0:  # a mail server or gateway that is taken over must not be root
            self._as_user = ["setpriv", "--reuid=nobody", "--regid=nogroup", "--clear-groups"]

    def start(self, *command: str, log: str) -> Path:
        """Start a program and return the file that holds what it prints."""
        if os.geteuid() == 0:
            for path in (self.folder, *self.folder.rglob("*")):
                shutil.chown(path, "nobody", "nogroup")
        path = self.folder / log
        with path.open("wb") as output:
            self._running.append(
                subprocess.Popen(
                    [*self._as_user, *command],
                    stdin=subprocess.DEVNULL,
                    stdout=output,
                    stderr=subprocess.STDOUT,
                    cwd=self.folder,
                )
            )
        return path

    def wait(self, condition: Callable[[], object], what: str) -> None:
        """Wait for something to become true; RuntimeError with the programs' own words when it does not."""
        deadline = time.monotonic() + _START_SECONDS
        while not condition():
            if time.monotonic() > deadline or any(each.poll() is not None for each in self._running):
                words = "\n".join(path.read_text("utf-8", "replace")[-2000:] for path in self.folder.glob("*.log"))
                raise RuntimeError(f"{what} did not come; the programs say:\n{words}")
            time.sleep(0.05)

    def stop(self) -> None:
        """End the programs and remove the folder."""
        for each in reversed(self._running):
            each.terminate()
        for each in self._running:
            try:
                each.wait(5)
            except subprocess.TimeoutExpired:
                each.kill()
                each.wait()
        shutil.rmtree(self.folder, ignore_errors=True)


def program(name: str, package: str, places: Iterable[str] = ()) -> str:
    """Return a program's path; RuntimeError that names the package when it is missing."""
    for place in (*(p for p in os.environ.get("PATH", "").split(":") if p), "/usr/sbin", "/sbin", *places):
        if os.access(Path(place) / name, os.X_OK):
            return str(Path(place) / name)
    raise RuntimeError(f"{name} is not on this machine; install it (Debian: apt-get install {package})")


def write_certificate(folder: Path) -> None:
    """Write an authority's certificate (`ca.pem`), and one by it for this machine with its key, into a folder."""
    authority = trustme.CA()
    authority.cert_pem.write_to_path(str(folder / "ca.pem"))
    certificate = authority.issue_cert("localhost")
    certificate.private_key_pem.write_to_path(str(folder / "key.pem"))
    certificate.cert_chain_pems[0].write_to_path(str(folder / "cert.pem"))


def listens(port: int) -> bool:
    """Whether somebody listens on a port of this machine."""
    try:
        socket.create_connection(("127.0.0.1", port), 1).close()
    except OSError:
        return False
    return True
