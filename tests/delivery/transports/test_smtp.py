"""What mail servers answer, and a real one."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from pydantic import ValidationError

from reminders.config_delivery import SmtpSection
from reminders.delivery.outgoing import Accepted
from reminders.delivery.transports.smtp_answers import judge
from reminders.errors import Away, BadAddress, Refused, Throttled, Unreachable
from tests.delivery.peers.exim import EximServer
from tests.delivery.peers.peer import outgoing
from tests.delivery.peers.smtp import SmtpPeer


@pytest.fixture(scope="module")
def exim() -> Iterator[EximServer]:
    """A real mail server."""
    server = EximServer()
    yield server
    server.stop()


# Classes: RFC 3463 section 3.1; address and mailbox status: sections 3.2 and 3.3; 1.10: RFC 7505.
@pytest.mark.parametrize(
    ("code", "text", "kind"),
    [
        (550, b"5.1.1 no such user", BadAddress),
        (550, b"5.1.2 no such domain", BadAddress),
        (556, b"5.1.10 takes no mail", BadAddress),
        (550, b"5.2.1 disabled", BadAddress),
        (552, b"5.2.2 full", Refused),
        (452, b"4.2.2 full", Unreachable),
        (450, b"4.1.1 not now", Unreachable),
        (554, b"5.7.1 policy", Refused),
        (550, b"no such user", Refused),
        (451, b"try later", Unreachable),
        (421, b"4.3.2 going down", Away),
        (451, b"4.7.0 too fast", Throttled),
        (250, b"2.0.0 what", Unreachable),
    ],
)
def test_an_answer_means_never_or_later(code: int, text: bytes, kind: type[Exception]) -> None:
    assert type(judge(code, text)) is kind


def test_the_servers_own_words_are_not_repeated() -> None:
    assert "robin" not in str(judge(550, b"5.1.1 <robin@example.org>: no such user"))


@pytest.mark.parametrize(
    ("tls", "port"), [("starttls", "port"), ("tls", "tls_port")], ids=["STARTTLS", "TLS from the start"]
)
def test_a_real_server_delivers_what_was_handed_over_encrypted(exim: EximServer, tls: str, port: str) -> None:
    before = len(list(exim.folder.glob("mail/new/*")))
    transport = exim.transport(tls=tls, port=getattr(exim, port))
    text = ".\n..dots\n\nMantenga el vendaje seco; ¿duele? " + "largo " * 300
    message = outgoing(7, channel="email", text=text, markdown=text, language="es", subject="Su dedo: día 2")
    (result,) = transport.hand_over(iter([message]))
    transport.close()
    assert isinstance(result, Accepted)
    mail = exim.mails(before + 1)[-1]
    body = mail.get_body(("plain",))
    assert body is not None
    assert "..dots" in body.get_content()
    assert body.get_content().count("largo") == 300
    assert mail["Subject"] == "Su dedo: día 2"
    assert mail["Message-ID"] == "<invented-7@example.org>"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail["Return-Path"] is None or "aftercare@example.org" in mail["Return-Path"]
    received = " ".join(mail.get_all("Received") or ())
    assert "with esmtpsa" in received
    assert "TLS" in received


def test_one_connection_serves_many_messages_and_a_refusal_between(exim: EximServer) -> None:
    transport = exim.transport()
    addresses = ("robin@example.org", "gone@example.org", "full@example.org", "robin@example.org")
    messages = [outgoing(20 + at, channel="email", address=each) for at, each in enumerate(addresses)]
    results = list(transport.hand_over(iter(messages)))
    assert [type(each) for each in results] == [Accepted, BadAddress, Unreachable, Accepted]
    assert transport._used == 4
    transport.close()


def test_a_message_that_is_too_long_for_the_server_is_refused(exim: EximServer) -> None:
    transport = exim.transport()
    (result,) = transport.hand_over(iter([outgoing(30, channel="email", markdown="long " * 8000)]))
    transport.close()
    assert type(result) is Refused


def test_a_wrong_password_hands_nothing_over(exim: EximServer, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("WRONG", "not the secret")
    transport = exim.transport(password={"env": "WRONG"})
    (result,) = transport.hand_over(iter([outgoing(channel="email")]))
    transport.close()
    assert isinstance(result, Unreachable)
    assert "535" in str(result)
    assert "not the secret" not in repr(vars(transport)["_section"])


def test_a_server_that_cannot_prove_its_name_gets_nothing(exim: EximServer) -> None:
    for settings in ({"ca_file": None}, {"host": "127.0.0.1"}):
        transport = exim.transport(**settings)
        (result,) = transport.hand_over(iter([outgoing(channel="email")]))
        transport.close()
        assert isinstance(result, Unreachable)
        assert "SSLCertVerificationError" in str(result)


def test_a_server_without_starttls_gets_nothing() -> None:
    peer = SmtpPeer(tls="starttls")
    (result,) = peer.transport.hand_over(iter([outgoing(channel="email")]))
    peer.close()
    assert isinstance(result, Unreachable)
    assert peer.taken == []


def test_a_connection_is_renewed_after_so_many_messages() -> None:
    peer = SmtpPeer(per_connection=3)
    list(peer.transport.hand_over(outgoing(n, channel="email") for n in range(7)))
    peer.close()
    assert peer.connections == 3


def test_a_connection_that_the_server_ended_meanwhile_costs_nothing() -> None:
    peer = SmtpPeer()
    list(peer.transport.hand_over(iter([outgoing(1, channel="email")])))
    peer.go_away()
    peer.come_back()
    (result,) = peer.transport.hand_over(iter([outgoing(2, channel="email")]))
    peer.close()
    assert isinstance(result, Accepted)
    assert len(peer.taken) == 2


def test_a_practice_without_an_address_waits_until_it_has_one() -> None:
    peer = SmtpPeer()
    (result,) = peer.transport.hand_over(iter([outgoing(channel="email", practice_id="other")]))
    peer.close()
    assert isinstance(result, Unreachable)


@pytest.mark.parametrize(
    "values",
    [
        pytest.param({"host": "mail.example.org", "tls": "none-on-loopback"}, id="no encryption over a network"),
        pytest.param({"host": "mail.example.org", "user": "practice"}, id="a user without a password"),
        pytest.param({"host": "mail.example.org", "password": "secret"}, id="a password in the file"),
        pytest.param({"host": "mail.example.org", "tsl": "tls"}, id="a key that is not known"),
    ],
)
def test_a_configuration_that_is_not_safe_is_refused(values: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        SmtpSection.model_validate(values)


def test_a_server_that_is_away_is_knocked_at_once_a_batch() -> None:
    peer = SmtpPeer()
    peer.go_away()
    results = list(peer.transport.hand_over(outgoing(n, channel="email") for n in range(3)))
    assert [isinstance(each, Unreachable) for each in results] == [True] * 3
    assert results[0] is results[1] is results[2]
    peer.come_back()
    (result,) = peer.transport.hand_over(iter([outgoing(channel="email")]))
    peer.close()
    assert isinstance(result, Accepted)
