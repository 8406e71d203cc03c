"""A sample of `python -m tests.fuzz`, and whether the fuzzer itself would find anything."""

from __future__ import annotations

import pytest

from reminders.errors import InputError
from tests.fuzz import run as fuzz
from tests.fuzz.readers import Reader, readers
from tests.fuzz.run import run

_SAMPLE = 1_000


@pytest.fixture(scope="module")
def known() -> dict[str, Reader]:
    """Every reader."""
    return readers()


@pytest.mark.parametrize("name", ["replies", "hooks", "csv", "workbooks", "hl7", "fhir", "mails", "smpp", "plans"])
def test_no_input_from_outside_makes_a_reader_stumble(known: dict[str, Reader], name: str) -> None:
    reader = known[name]
    report = run(reader, max(20, round(_SAMPLE * reader.share)), seed=7)
    assert [finding.what for finding in report.findings] == []
    assert report.read
    assert report.refused or not reader.may_raise


def test_every_reader_is_tried(known: dict[str, Reader]) -> None:
    assert sorted(known) == sorted(["replies", "hooks", "csv", "workbooks", "hl7", "fhir", "mails", "smpp", "plans"])


def test_an_error_that_is_not_announced_is_found() -> None:
    def read(octets: bytes) -> None:
        if len(octets) < 3:
            raise InputError("too short")
        if b"\x00" in octets:
            raise KeyError("nul")

    report = run(Reader(seeds=[b"abc"], read=read, may_raise=(InputError,)), 2_000, seed=1)
    assert {finding.what for finding in report.findings} == {"KeyError: 'nul'"}
    assert report.read
    assert report.refused


def test_an_input_that_takes_for_ever_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fuzz, "LONGEST_SECONDS", 0.05)

    def read(octets: bytes) -> None:
        while b"\xff" in octets:
            pass

    report = run(Reader(seeds=[b"abc"], read=read), 300, seed=1)
    assert report.findings
    assert all(finding.what.startswith("Hung") for finding in report.findings)
