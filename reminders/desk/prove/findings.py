"""What falls short in a plan: where it stands, which rule it breaks, and the smallest example that shows it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

from reminders.desk.prove.cases import Case
from reminders.errors import Fault


class Severity(StrEnum):
    """Whether a plan may be approved as it is."""

    FAULT = "fault"
    NOTICE = "notice"  # worth knowing; the check passes


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One place that breaks one rule."""

    rule: str
    file: Path
    line: int
    """Counted from 1; 0 for the file as a whole."""
    subject: str
    """The instruction, text or setting it is about."""
    message: str
    severity: Severity = Severity.FAULT
    example: Case | None = None
    """None where no single patient shows it, as for a whole language's reading grade."""
    seen: int = 1
    """In how many of the cases that were run."""

    @property
    def identity(self) -> tuple[str, str, int, str]:
        """What makes two findings the same, whatever cases show them."""
        return self.rule, str(self.file), self.line, self.subject


@dataclass
class Ledger:
    """Findings as they come in, each kept once with the simplest case that shows it."""

    kept: dict[tuple[str, str, int, str], Finding] = field(default_factory=dict)

    def add(self, found: Iterable[Finding]) -> None:
        """Take findings in; of equal ones the one with the simpler example stays."""
        for each in found:
            known = self.kept.get(each.identity)
            self.kept[each.identity] = each if known is None else _both(known, each)

    def sorted(self) -> tuple[Finding, ...]:
        """Return the findings, faults first, then by file and line."""
        order = list(Severity)
        return tuple(
            sorted(
                self.kept.values(),
                key=lambda each: (
                    order.index(each.severity),
                    *map(str, each.identity[1:2]),
                    each.line,
                    each.rule,
                    each.subject,
                ),
            )
        )


def of_faults(faults: Iterable[Fault]) -> list[Finding]:
    """Return what is wrong with a plan that can't even be loaded."""
    return [
        Finding(rule="faulty_file", file=fault.file, line=fault.line, subject=fault.file.name, message=fault.message)
        for fault in faults
    ]


def _both(one: Finding, other: Finding) -> Finding:
    simpler = min(one, other, key=lambda each: (each.example is None, each.example.size if each.example else 0))
    seen = one.seen + other.seen
    return Finding(**{**{name: getattr(simpler, name) for name in Finding.__dataclass_fields__}, "seen": seen})
