"""The configuration of the web pages: where they are served, under which address, and how long a sign-in lasts."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, Field, model_validator

from reminders.config_parts import Network, Section, is_this_computer
from reminders.sentences import english


def _address(text: str) -> str:
    if text and not re.fullmatch(r"https?://[A-Za-z0-9.\-\[\]:]+/?", text):
        raise ValueError(english("write it like https://aftercare.example.org, without a path"))
    return text.rstrip("/")


Address = Annotated[str, Field(max_length=200), AfterValidator(_address)]


class WebSection(Section):
    """Where the pages are served and how long staff stay signed in."""

    host: str = "127.0.0.1"
    """The interface to listen on; this computer only, unless said otherwise."""
    port: int = Field(default=8420, ge=1, le=65535)
    address: Address = ""
    """How browsers reach the pages; `https://` when anybody but this computer does."""
    trusted_proxies: tuple[Network, ...] = ("127.0.0.1", "::1")
    """The reverse proxies, or their networks, whose word about the caller's address is taken."""
    idle_minutes: int = Field(default=20, ge=2, le=480)
    """Without a click for so long, staff sign in again; what they typed is kept."""
    session_hours: int = Field(default=12, ge=1, le=24)
    """The longest a sign-in lasts."""
    patient_page_days: int = Field(default=14, ge=1, le=90)
    """How long a patient's own page stays after the last day of the course; `address` must be set to have any."""
    patient_page_minutes: int = Field(default=60, ge=5, le=1440)
    """How long it stays open in a browser that nobody uses, before the code is asked for again."""
    api_calls_per_minute: int = Field(default=600, ge=1, le=1_000_000)
    """The most that another program may ask with one key."""

    @model_validator(mode="after")
    def _encrypted(self) -> WebSection:
        if not self.is_local and not self.address.startswith("https://"):
            raise ValueError(
                english(
                    "address: pages that other computers reach need an https:// address; put a reverse proxy with a "
                    "certificate in front, and name its address here"
                )
            )
        return self

    @property
    def is_local(self) -> bool:
        """Whether only this computer can reach the pages."""
        return is_this_computer(self.host)

    @property
    def is_encrypted(self) -> bool:
        """Whether browsers come over TLS."""
        return self.address.startswith("https://")

    @property
    def base(self) -> str:
        """The address that links begin with."""
        return self.at_port(None)

    def at_port(self, port: int | None) -> str:
        """Return the address that links begin with when the pages are served on another port."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return self.address or f"http://{host}:{port or self.port}"
