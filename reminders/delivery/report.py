"""What a dispatcher did, in figures."""

from __future__ import annotations

from dataclasses import dataclass, fields


@dataclass(kw_only=True)
class DispatchReport:
    """Counts of messages by what became of them; a message that waits again may be counted more than once."""

    sent: int = 0
    failed: int = 0
    """Refused by the other side."""
    waits: int = 0
    """Put off: quiet hours, or nothing could be handed over."""
    withheld: int = 0
    uncertain: int = 0
    """Handed over or not, nobody knows; staff see it."""
    resent: int = 0
    """In doubt, and planned again as twice is better than never."""
    recovered: int = 0
    """Found in a dead worker's hands."""
    late: int = 0
    """Settled too late: the claim was no longer ours, and nothing was changed."""

    def add(self, other: DispatchReport) -> None:
        """Add another report's figures."""
        for each in fields(self):
            setattr(self, each.name, getattr(self, each.name) + getattr(other, each.name))

    @property
    def total(self) -> int:
        """All of them."""
        return sum(getattr(self, each.name) for each in fields(self))
