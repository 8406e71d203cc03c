"""Knows what the command_status of an SMPP answer means for a message, and for the connection."""

from __future__ import annotations

from enum import StrEnum
from types import MappingProxyType


class Verdict(StrEnum):
    """What has to be done."""

    ACCEPTED = "accepted"
    THROTTLED = "throttled"  # slow the whole connection down, then again
    LATER = "later"  # nothing was taken; try again
    BAD_ADDRESS = "bad_address"  # never again, nor anything else to that number
    REFUSED = "refused"  # never again: our mistake, or the other side's rules
    REBIND = "rebind"  # the connection is not what we think; make a new one, then again


# Numbers and names: SMPP 3.4 section 5.1.3, and two of 5.0. What each means for us is this project's decision.
_VERDICTS = MappingProxyType(
    {
        0x00: ("ESME_ROK", Verdict.ACCEPTED),
        0x01: ("ESME_RINVMSGLEN", Verdict.REFUSED),
        0x02: ("ESME_RINVCMDLEN", Verdict.REFUSED),
        0x03: ("ESME_RINVCMDID", Verdict.REFUSED),
        0x04: ("ESME_RINVBNDSTS", Verdict.REBIND),
        0x05: ("ESME_RALYBND", Verdict.REBIND),
        0x08: ("ESME_RSYSERR", Verdict.LATER),
        0x0A: ("ESME_RINVSRCADR", Verdict.REFUSED),
        0x0B: ("ESME_RINVDSTADR", Verdict.BAD_ADDRESS),
        0x0D: ("ESME_RBINDFAIL", Verdict.REBIND),
        0x0E: ("ESME_RINVPASWD", Verdict.REBIND),
        0x0F: ("ESME_RINVSYSID", Verdict.REBIND),
        0x14: ("ESME_RMSGQFUL", Verdict.THROTTLED),
        0x43: ("ESME_RINVESMCLASS", Verdict.REFUSED),
        0x45: ("ESME_RSUBMITFAIL", Verdict.LATER),
        0x48: ("ESME_RINVSRCTON", Verdict.REFUSED),
        0x49: ("ESME_RINVSRCNPI", Verdict.REFUSED),
        0x50: ("ESME_RINVDSTTON", Verdict.REFUSED),
        0x51: ("ESME_RINVDSTNPI", Verdict.REFUSED),
        0x58: ("ESME_RTHROTTLED", Verdict.THROTTLED),
        0x61: ("ESME_RINVSCHED", Verdict.REFUSED),
        0x62: ("ESME_RINVEXPIRY", Verdict.REFUSED),
        0x64: ("ESME_RX_T_APPN", Verdict.LATER),
        0x65: ("ESME_RX_P_APPN", Verdict.REFUSED),
        0x66: ("ESME_RX_R_APPN", Verdict.REFUSED),
        0xFE: ("ESME_RDELIVERYFAILURE", Verdict.LATER),
        0xFF: ("ESME_RUNKNOWNERR", Verdict.LATER),
        0x101: ("ESME_RPROHIBITED", Verdict.REFUSED),
        0x104: ("ESME_RINVDCS", Verdict.REFUSED),
    }
)


def verdict_of(status: int) -> Verdict:
    """Return what a status means; an unlisted one is tried again, within the message's own time."""
    return _VERDICTS[status][1] if status in _VERDICTS else Verdict.LATER


def name_of(status: int) -> str:
    """Return a status as staff may look it up: `ESME_RTHROTTLED (0x58)`."""
    return f"{_VERDICTS[status][0]} (0x{status:02X})" if status in _VERDICTS else f"status 0x{status:08X}"
