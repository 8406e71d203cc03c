"""The sections for transports: what the example shows is valid and whole, and what is missing is named."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel, ValidationError

from reminders.care.pacing import Limit
from reminders.config import load_config
from reminders.config_delivery import DeliverySection, MailboxSection, PaceSection
from reminders.config_parts import Secret
from reminders.errors import ConfigError

EXAMPLE = Path(__file__).parents[1] / "config.example.toml"


def _uncommented() -> dict[str, Any]:
    text = EXAMPLE.read_text("utf-8")
    sections = text[text.index("# [delivery.smtp]") :]
    lines = (line.removeprefix("# ") for line in sections.splitlines())
    values: dict[str, Any] = tomllib.loads("\n".join(lines))
    return values


def test_the_sections_of_the_example_are_valid() -> None:
    delivery = DeliverySection.model_validate({"sms": "smpp", "email": "smtp", **_uncommented()["delivery"]})
    assert delivery.smpp is not None
    assert delivery.smtp is not None
    assert delivery.http is not None
    assert delivery.http.receipt_hook is not None


def test_the_example_shows_every_setting_of_a_transport() -> None:
    shown = _uncommented()["delivery"]
    assert _missing(DeliverySection.model_validate(shown), shown) == [
        "sms",
        "email",
        "lease_seconds",
        "poll_seconds",
        "undelivered_after_minutes",
        "pace",
        "price",
        "file",
        "http.hook_auth.password",
    ]


def test_the_example_shows_every_setting_of_the_mailbox() -> None:
    shown = _uncommented()["mailbox"]
    assert _missing(MailboxSection.model_validate(shown), shown) == []


@pytest.mark.parametrize(
    ("settings", "reply_to"),
    [
        ({}, ""),
        ({"plus": True}, "office+{key}@example.org"),
        ({"address": "desk@example.org"}, "desk@example.org"),
        ({"address": "desk@example.org", "plus": True}, "desk+{key}@example.org"),
    ],
)
def test_where_replies_go_follows_from_the_mailbox(settings: dict[str, Any], reply_to: str) -> None:
    needed = {"host": "mail.example.org", "user": "desk", "password": {"env": "X"}}
    assert MailboxSection.model_validate(needed | settings).reply_to("office@example.org") == reply_to


def test_the_password_of_a_mailbox_never_travels_in_the_clear() -> None:
    needed = {"host": "mail.example.org", "user": "desk", "password": {"env": "X"}, "tls": "none-on-loopback"}
    with pytest.raises(ValueError, match="is not this machine"):
        MailboxSection.model_validate(needed)


def _missing(section: BaseModel, shown: dict[str, Any], prefix: str = "") -> list[str]:
    missing = []
    for name in type(section).model_fields:
        value = getattr(section, name)
        if name not in shown:
            missing.append(prefix + name)
        elif isinstance(value, BaseModel) and not isinstance(value, Secret):
            missing += _missing(value, shown[name], f"{prefix}{name}.")
    return missing


@pytest.mark.parametrize("name", ["smtp", "smpp", "http"])
def test_a_transport_that_is_named_needs_its_section(tmp_path: Path, name: str) -> None:
    channel = "email" if name == "smtp" else "sms"
    path = tmp_path / "config.toml"
    practice = '[practice]\nname = "Example"\nzone = "America/Chicago"\nphone = "312-555-0100"\n'
    path.write_text(f'{practice}[delivery]\n{channel} = "{name}"\n', "utf-8")
    with pytest.raises(ConfigError, match=re.escape(f"[delivery.{name}] is missing")):
        load_config(path)


GATEWAY = {"url": "https://gateway.example.org/", "connect_seconds": 5, "answer_seconds": 20}
SERVER = {"host": "mail.example.org", "timeout_seconds": 25}


@pytest.mark.parametrize(
    "ways",
    [
        pytest.param({"sms": "http", "http": GATEWAY}, id="gateway"),
        pytest.param({"email": "smtp", "smtp": SERVER}, id="mail server"),
    ],
)
def test_a_lease_that_a_slow_answer_would_outlive_is_refused(ways: dict[str, Any]) -> None:
    """Another worker would take what waits for its answer for a dead worker's, and might send it again."""
    DeliverySection.model_validate({"lease_seconds": 50, **ways})
    with pytest.raises(ValidationError, match="must be 50 or more"):
        DeliverySection.model_validate({"lease_seconds": 49, **ways})
    DeliverySection.model_validate({**ways, "lease_seconds": 10, "sms": "file", "email": "file"})


def test_a_secret_is_read_from_where_it_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "password").write_text("in a file\n", "utf-8")
    monkeypatch.setenv("INVENTED_SECRET", "in the environment")
    assert Secret(file=Path("password")).read(tmp_path) == "in a file"
    assert Secret(env="INVENTED_SECRET").read(tmp_path) == "in the environment"


@pytest.mark.parametrize("where", [{"env": "NOT_SET_ANYWHERE"}, {"file": "missing"}, {"file": "empty"}])
def test_a_secret_that_is_not_there_is_named(tmp_path: Path, where: dict[str, Any]) -> None:
    (tmp_path / "empty").touch()
    with pytest.raises(ConfigError, match="|".join(map(str, where.values()))):
        Secret.model_validate(where).read(tmp_path)


def test_limits_are_read_by_channel_with_the_shortest_window_first() -> None:
    section = PaceSection(sms=("600/minute", "10/second"), email=("5000/day",))
    assert section.limits() == {
        "sms": (Limit(most=10, seconds=1), Limit(most=600, seconds=60)),
        "email": (Limit(most=5000, seconds=86_400),),
    }


@pytest.mark.parametrize("sms", [("10",), ("0/second",), ("10/week",), ("-1/second",), ("10/second", "9/second")])
def test_a_limit_that_makes_no_sense_is_refused(sms: tuple[str, ...]) -> None:
    with pytest.raises(ValidationError):
        PaceSection(sms=sms)
