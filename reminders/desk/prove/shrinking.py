"""Makes the example of a finding as small as it can be while it still shows the same."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from reminders.care.values import Channel
from reminders.desk.prove.cases import SIMPLEST_DAY, SIMPLEST_MINUTE, SIMPLEST_ZONE, Case
from reminders.desk.prove.findings import Finding
from reminders.desk.prove.prover import Prover

_ROUND_MINUTES = (SIMPLEST_MINUTE, 8 * 60, 12 * 60, 15 * 60, 18 * 60, 20 * 60)


def shrunk(finding: Finding, prover: Prover) -> Finding:
    """Return the finding with the smallest case that still shows it, and the message of that case.

    A finding without an example, or one that only an instruction by itself shows, stays as it is.
    """
    if finding.example is None or (best := _shown(finding, finding.example, prover)) is None:
        return finding
    if finding.example.language != prover.files.original:
        plain = replace(finding.example, language=prover.files.original, channel=Channel.SMS)
        best = _shown(finding, plain, prover) or best
    smaller = True
    while smaller:
        smaller = False
        for case in _simpler(best.example or finding.example):
            found = _shown(finding, case, prover)
            if found is not None:
                best, smaller = found, True
                break
    return replace(best, seen=finding.seen)


def _shown(finding: Finding, case: Case, prover: Prover) -> Finding | None:
    return next((each for each in prover.everything(case) if each.identity == finding.identity), None)


def _simpler(case: Case) -> Iterator[Case]:
    """Yield cases that are simpler in one respect, the greatest steps first; each has a smaller size."""
    tried = (
        *(replace(case, factors=case.factors[:at] + case.factors[at + 1 :]) for at in range(len(case.factors))),
        *(replace(case, settings=case.settings[:at] + case.settings[at + 1 :]) for at in range(len(case.settings))),
        replace(case, day=SIMPLEST_DAY, zone=SIMPLEST_ZONE),
        replace(case, day=SIMPLEST_DAY),
        replace(case, block_minutes_before=0),
        replace(case, dressing_minutes_after=0),
        replace(case, visit=None),
        replace(case, slots=()),
        replace(case, channel=Channel.SMS),
        replace(case, night_contact_agreed=False),
        *(replace(case, minute=minute) for minute in _ROUND_MINUTES),
        replace(case, minute=case.minute - case.minute % 60),
        replace(case, minute=case.minute - case.minute % 60 + 60),
        replace(case, minute=case.minute - case.minute % 10),
    )
    seen = {case}
    for each in tried:
        if each not in seen and each.size < case.size:
            seen.add(each)
            yield each
