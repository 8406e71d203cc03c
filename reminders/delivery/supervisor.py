"""Tells the service manager how the program stands, as sd_notify(3) describes; without one it does nothing."""

from __future__ import annotations

import os
import socket

READY = "READY=1"
STOPPING = "STOPPING=1"
ALIVE = "WATCHDOG=1"


def tell_supervisor(state: str) -> bool:
    """Send a state to the socket that the manager named; False when there is none or it does not listen."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    # a name that begins with @ is in the abstract namespace (unix(7)), where it begins with a null byte
    place = "\0" + address[1:] if address.startswith("@") else address
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as link:
        try:
            link.sendto(state.encode(), place)
        except OSError:
            return False
    return True
