"""Messages a second over SMPP: the transport alone, and what a bare socket carries of requests that are ready."""

from __future__ import annotations

import multiprocessing
import socket
import struct
import time
from collections.abc import Iterator, Sequence
from multiprocessing.connection import Connection
from pathlib import Path

from reminders.delivery.outgoing import Accepted, Outgoing
from reminders.delivery.transports.smpp import SmppTransport
from tests.benchmarks.backlog import Figure
from tests.benchmarks.raw_store import limits_of_batches
from tests.delivery.peers.peer import outgoing
from tests.delivery.peers.smpp import section

_DEFAULT = 20_000
_WINDOWS = (1, 10, 50)
_HEADER = struct.Struct(">IIII")
_ANSWER_OCTETS = 25


def run(n: int | None, url: str | None, folder: Path) -> Iterator[Figure]:
    """Measure with several windows, each after the limit of the loopback with the same window.

    The store's limit is with batches of as many messages as the window holds.
    """
    count = n or _DEFAULT
    ours, theirs = multiprocessing.Pipe()
    centre = multiprocessing.Process(target=_centre, args=(theirs,), daemon=True)
    centre.start()
    port = ours.recv()
    messages = [outgoing(number) for number in range(count)]
    of_store = limits_of_batches(url, folder, _WINDOWS)
    for window in _WINDOWS:
        limit = _bare(port, count, window)
        yield {"figure": "requests_per_second", "peer": "bare socket", "window": window, "value": round(limit)}
        began = time.process_time()
        value = round(count / _measure(port, messages, window))
        cost = round((time.process_time() - began) / count * 1e6)
        ratios = {"ratio_to_socket": round(value / limit, 2), "ratio_to_store": round(value / of_store[window], 2)}
        spent = {"microseconds_of_processor": cost}
        yield {"figure": "messages_per_second", "window": window, "value": value, **ratios, **spent}
    centre.terminate()
    centre.join()


def _measure(port: int, messages: Sequence[Outgoing], window: int) -> float:
    transport = SmppTransport(section(port, window=window), folder=Path(), region="US", take_in=lambda _: None)
    list(transport.hand_over(iter([outgoing()])))  # until it is bound
    began = time.perf_counter()
    results = list(transport.hand_over(messages))
    spent = time.perf_counter() - began
    transport.close()
    if not all(isinstance(each, Accepted) for each in results):
        raise RuntimeError("the centre did not accept everything")
    return spent


def _bare(port: int, count: int, window: int) -> float:
    """Send requests of the same size by hand, each by a call of its own, as soon as the window has room for it."""
    request = _HEADER.pack(100, 4, 0, 1) + bytes(84)
    with socket.create_connection(("127.0.0.1", port)) as connection:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        sent = octets = 0
        began = time.perf_counter()
        while octets < count * _ANSWER_OCTETS:
            while sent < count and sent - octets // _ANSWER_OCTETS < window:
                connection.sendall(request)
                sent += 1
            octets += len(connection.recv(65_536))
        return count / (time.perf_counter() - began)


def _centre(pipe: Connection) -> None:
    """Accept everything, in a process of its own: it must not share the interpreter that is measured."""
    listener = socket.create_server(("127.0.0.1", 0))
    pipe.send(listener.getsockname()[1])
    while True:
        connection, _ = listener.accept()
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        _answer_all(connection)


def _answer_all(connection: socket.socket) -> None:
    buffer = b""
    while octets := connection.recv(65_536):
        buffer += octets
        answers = []
        while len(buffer) >= 16 and len(buffer) >= _HEADER.unpack_from(buffer)[0]:
            length, command, _, sequence = _HEADER.unpack_from(buffer)
            buffer = buffer[length:]
            answers.append(
                _HEADER.pack(_ANSWER_OCTETS, command | 0x80000000, 0, sequence) + b"%08d\0" % (sequence % 10**8)
            )
        connection.sendall(b"".join(answers))
