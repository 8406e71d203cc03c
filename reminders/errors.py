"""The one tree of errors; each class says whose fault it is and what can be done.

ReminderError
├── InputError        a person or program gave something we can't accept; nothing was changed
│   └── NotFound      the thing named does not exist
├── PlanError         a procedure folder is faulty; lists every fault with file and line
├── ConfigError       the configuration is faulty; lists every fault with its key
├── StateError        the action does not fit the present state (taken, ended, already sent)
├── SealError         a sealed value was changed or moved: the database is not what the program wrote
└── TransportError    a hand-over did not end in "accepted"
    ├── Refused       never again: the other side will not take this message
    │   └── BadAddress   nor any other one to this address
    ├── Unreachable   nothing was handed over; it may be tried again
    │   ├── Away         the other side can't be reached at all, so no other message can go either
    │   └── Throttled    we are too fast for the other side
    └── InDoubt       it may have been handed over; nobody knows
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


class ReminderError(Exception):
    """Something went wrong that the person can read about and act on."""


class InputError(ReminderError):
    """The input can't be accepted; nothing was changed. Names every problem found, not only the first."""

    def __init__(self, *problems: str) -> None:
        self.problems = problems
        super().__init__("\n".join(problems))


class NotFound(InputError):
    """The thing named does not exist; check the spelling or list what there is."""


class StateError(ReminderError):
    """The action does not fit the present state; look at it again and decide."""


@dataclass(frozen=True, kw_only=True, order=True)
class Fault:
    """One fault in a file, with the place where it stands."""

    file: Path
    line: int
    """Counted from 1; 0 when the fault is the file itself."""
    message: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.message}" if self.line else f"{self.file}: {self.message}"


class PlanError(ReminderError):
    """A procedure folder is faulty; correct the lines named and load it again."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        self.faults = tuple(sorted(faults))
        super().__init__("\n".join(str(fault) for fault in self.faults))


class ConfigError(ReminderError):
    """The configuration is faulty; correct the keys named."""


class SealError(ReminderError):
    """A sealed value can't be trusted: it was changed or moved by something else; restore it from a backup."""


class TransportError(ReminderError):
    """A hand-over did not end in "accepted"."""


class Refused(TransportError):
    """The other side will not take this message; trying again is useless."""


class BadAddress(Refused):
    """The address does not work; send nothing there any more, and ask the patient for another one."""


class Unreachable(TransportError):
    """Nothing was handed over; the message may be tried again."""


class Away(Unreachable):
    """The other side can't be reached at all, or takes nothing from us; so it would be with any other message."""


class Throttled(Unreachable):
    """Nothing was taken, as we are too fast; the same message may go a little later."""


class InDoubt(TransportError):
    """The link broke between hand-over and answer; the message may have gone out."""
