"""What every transport has to do, against a real peer on loopback; a new transport adds one line to `PEERS`."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from importlib import import_module

import pytest

from reminders.delivery.outgoing import Accepted, Outgoing, Result
from reminders.delivery.transports import TRANSPORTS
from reminders.errors import BadAddress, InDoubt, Refused, Unreachable
from tests.delivery.peers.folder import FolderPeer
from tests.delivery.peers.http import HttpPeer
from tests.delivery.peers.peer import BAD, Behaviour, Peer, Taken, email, outgoing
from tests.delivery.peers.smpp import SmppPeer
from tests.delivery.peers.smtp import SmtpPeer
from tests.waiting import until

PEERS: dict[str, Callable[[], Peer]] = {
    "file": FolderPeer,
    "smtp": SmtpPeer,
    "smpp": SmppPeer,
    "http": HttpPeer,
}
NETWORK = ["smtp", "smpp", "http"]
"""Those with another side that may refuse, complain and break off; a file does none of it."""
SMS = ["file", "smpp", "http"]


@pytest.fixture
def peer(request: pytest.FixtureRequest) -> Iterator[Peer]:
    """The peer that the test names."""
    opened = PEERS[request.param]()
    yield opened
    opened.close()


def _message(peer: Peer, number: int = 1, **changes: object) -> Outgoing:
    channel = "sms" if "sms" in peer.transport.capabilities.channels else "email"
    return outgoing(number, channel=channel, **changes)


def _send(peer: Peer, *messages: Outgoing) -> list[Result]:
    return list(peer.transport.hand_over(iter(messages)))


@pytest.mark.parametrize("peer", PEERS, indirect=True)
def test_what_is_accepted_arrives_as_it_was_written(peer: Peer) -> None:
    message = _message(peer)
    (result,) = _send(peer, message)
    assert isinstance(result, Accepted)
    assert result.ref
    assert peer.taken == [Taken(message.address, message.text)]


@pytest.mark.parametrize("peer", PEERS, indirect=True)
def test_results_come_in_the_order_of_the_messages(peer: Peer) -> None:
    messages = [
        _message(peer, number, text=f"Message {number}.", markdown=f"Message {number}.") for number in range(30)
    ]
    results = _send(peer, *messages)
    assert all(isinstance(each, Accepted) for each in results)
    assert len({each.ref for each in results if isinstance(each, Accepted)}) == 30
    assert sorted(each.text for each in peer.taken) == sorted(each.text for each in messages)


@pytest.mark.parametrize("peer", NETWORK, indirect=True)
def test_what_is_refused_is_never_taken_and_the_next_one_goes_on(peer: Peer) -> None:
    peer.behaviour = Behaviour.REFUSE
    (refused,) = _send(peer, _message(peer))
    peer.behaviour = Behaviour.ACCEPT
    (accepted,) = _send(peer, _message(peer, 2))
    assert isinstance(refused, Refused)
    assert not isinstance(refused, BadAddress)
    assert isinstance(accepted, Accepted)
    assert len(peer.taken) == 1


@pytest.mark.parametrize("peer", NETWORK, indirect=True)
def test_an_address_that_does_not_exist_is_told_from_a_refusal(peer: Peer) -> None:
    good, bad = _message(peer), _message(peer, 2)
    bad = _message(peer, 2, address=BAD[bad.channel])
    results = _send(peer, bad, good)
    assert isinstance(results[0], BadAddress)
    assert bad.address not in str(results[0])
    assert isinstance(results[1], Accepted)


@pytest.mark.parametrize("peer", PEERS, indirect=True)
def test_nothing_is_handed_over_to_a_peer_that_is_away_until_it_is_back(peer: Peer) -> None:
    assert isinstance(_send(peer, _message(peer))[0], Accepted)
    peer.go_away()
    time.sleep(0.2)  # what is sent before the end of the connection is noticed would be in doubt
    away = _send(peer, _message(peer, 2), _message(peer, 3))
    peer.come_back()
    assert [isinstance(each, Unreachable) for each in away] == [True, True]
    assert len(peer.taken) == 1
    until(lambda: isinstance(_send(peer, _message(peer, 4))[0], Accepted))
    assert len(peer.taken) == 2


@pytest.mark.parametrize("peer", NETWORK, indirect=True)
def test_a_complaint_about_the_pace_slows_it_and_loses_nothing(peer: Peer) -> None:
    peer.behaviour = Behaviour.THROTTLE
    began = time.monotonic()
    results = _send(peer, _message(peer))
    if isinstance(results[0], Unreachable):
        results = _send(peer, _message(peer))
    took = time.monotonic() - began
    assert isinstance(results[0], Accepted)
    assert took > 0.4
    assert len(peer.taken) == 1


@pytest.mark.parametrize("peer", NETWORK, indirect=True)
def test_a_link_broken_after_the_hand_over_leaves_that_message_in_doubt_and_no_other(peer: Peer) -> None:
    first = _send(peer, _message(peer))
    peer.behaviour = Behaviour.CUT
    broken = _send(peer, _message(peer, 2))
    after = _send(peer, _message(peer, 3))
    assert isinstance(first[0], Accepted)
    assert isinstance(broken[0], InDoubt)
    assert isinstance(after[0], Accepted)
    assert len(peer.taken) == 3


# Lengths: 3GPP TS 23.040 cl. 9.2.3.24.1; the escape pair that must move whole: cl. 9.2.3.24.1 (from memory).
@pytest.mark.parametrize(
    "text",
    [
        pytest.param("a" * 160, id="160 septets"),
        pytest.param("a" * 161, id="161 septets"),
        pytest.param("a" * 159 + "€", id="escape pair over the end of one"),
        pytest.param("a" * 152 + "€" + "b" * 10, id="escape pair over the end of the first of two"),
        pytest.param("á" * 70, id="70 units"),
        pytest.param("á" * 71, id="71 units"),
        pytest.param("á" * 66 + "\U0001f600" + "á" * 10, id="surrogate pair over the end"),
        pytest.param("¿Cómo está su dedo? {[~]} \\ |^", id="Spanish and all extensions"),
        pytest.param("Вымойте ногу 🦶\n" * 100, id="many segments of any script"),
        pytest.param('He said "no\\yes" {{ text }} \n & <b> 100 % + ; =', id="what templates and forms may trip over"),
    ],
)
@pytest.mark.parametrize("peer", SMS, indirect=True)
def test_text_at_and_over_the_limit_arrives_whole(peer: Peer, text: str) -> None:
    assert isinstance(_send(peer, _message(peer, text=text))[0], Accepted)
    assert [each.text for each in peer.taken] == [text]


@pytest.mark.parametrize("peer", NETWORK, indirect=True)
def test_no_more_is_under_way_at_once_than_declared(peer: Peer) -> None:
    _send(peer, *(_message(peer, number) for number in range(40)))
    assert 1 <= peer.most_at_once <= peer.transport.capabilities.batch_size


@pytest.mark.parametrize("peer", PEERS, indirect=True)
def test_a_status_query_tells_what_went_out_where_it_is_declared(peer: Peer) -> None:
    gone, never = _message(peer), _message(peer, 2)
    _send(peer, gone)
    known = peer.transport.look_up([gone.idempotency_key, never.idempotency_key])
    if peer.transport.capabilities.status_query:
        assert set(known.went_out) == {gone.idempotency_key}
        assert known.absent == {never.idempotency_key}
    else:
        assert not known.went_out
        assert not known.absent


@pytest.mark.parametrize("peer", NETWORK, indirect=True)
def test_a_second_hand_over_under_one_key_arrives_once_where_that_is_declared(peer: Peer) -> None:
    for _ in range(2):
        _send(peer, _message(peer))
    assert len(peer.taken) == (1 if peer.transport.capabilities.idempotency_key else 2)


@pytest.mark.parametrize("peer", PEERS, indirect=True)
def test_messages_not_asked_for_are_not_taken(peer: Peer) -> None:
    offered = []

    def batch() -> Iterator[Outgoing]:
        for number in range(100):
            offered.append(number)
            yield _message(peer, number)

    results = peer.transport.hand_over(batch())
    next(results)
    if "file" not in peer.transport.name:
        assert len(offered) <= peer.transport.capabilities.batch_size + 1


@pytest.mark.parametrize("peer", PEERS, indirect=True)
def test_an_empty_batch_is_fine(peer: Peer) -> None:
    assert _send(peer) == []


@pytest.mark.parametrize("peer", ["file", "smtp"], indirect=True)
def test_an_email_that_would_write_headers_of_its_own_is_refused_and_the_others_go_on(peer: Peer) -> None:
    results = _send(peer, email(1), email(2, subject="Hello\r\nBcc: all@example.org"), email(3))
    assert [type(each) for each in results] == [Accepted, Refused, Accepted]


def test_every_transport_of_the_registry_is_tested_here() -> None:
    assert TRANSPORTS.keys() == PEERS.keys()
    for place in TRANSPORTS.values():
        module, _, name = place.partition(":")
        assert callable(getattr(import_module(module), name))
