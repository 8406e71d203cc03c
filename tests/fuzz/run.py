"""Gives a reader damaged inputs, and notes what it neither reads nor refuses."""

from __future__ import annotations

import gc
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import islice
from random import Random
from types import FrameType

from tests.fuzz.mutation import damaged
from tests.fuzz.readers import Reader

LONGEST_SECONDS = 2.0
_MOST_FINDINGS = 20


class Hung(BaseException):
    """An input took too much of the processor, which others have no part in; no `except Exception` swallows it."""


@dataclass(frozen=True, kw_only=True)
class Finding:
    """An input that a reader stumbles over."""

    octets: bytes
    what: str


@dataclass(kw_only=True)
class Report:
    """What came of the inputs."""

    read: int = 0
    refused: int = 0
    findings: list[Finding] = field(default_factory=list)


def run(reader: Reader, count: int, *, seed: int) -> Report:
    """Give a reader its seeds, then `count` damaged ones; it stops after some findings of it."""
    report = Report()
    for octets in reader.seeds:
        reader.read(octets)
    for octets in islice(damaged(reader.seeds, Random(seed)), count):
        try:
            _read_in_time(reader, octets)
            report.read += 1
        except reader.may_raise:
            report.refused += 1
        except (Exception, Hung) as error:  # noqa: BLE001  whatever it is, it is what is looked for
            report.findings.append(Finding(octets=octets, what=f"{type(error).__name__}: {error}"[:300]))
            if len(report.findings) == _MOST_FINDINGS:
                break
    return report


def _read_in_time(reader: Reader, octets: bytes) -> None:
    """Let the reader read; what took too long is tried again, as threads of other tests use the same processor time."""
    for last in (False, True):
        try:
            with _at_most(LONGEST_SECONDS):
                reader.read(octets)
        except Hung:
            if last:
                raise
        else:
            return


@contextmanager
def _at_most(seconds: float) -> Iterator[None]:
    def end(_number: int, _frame: FrameType | None) -> None:
        raise Hung(f"longer than {seconds} s")

    before = signal.signal(signal.SIGPROF, end)
    gc.disable()  # a search for cycles in a large program takes long, and swallows what is raised within it
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        gc.enable()
        signal.signal(signal.SIGPROF, before)
