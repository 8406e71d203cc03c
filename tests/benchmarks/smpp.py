"""Messages a second over SMPP: the transport alone, with its window, and what the same socket can carry at most."""

from __future__ import annotations

import multiprocessing
import socket
import struct
import time
from collections.abc import Iterator
from multiprocessing.connection import Connection
from pathlib import Path

from reminders.delivery.outgoing import Accepted
from reminders.delivery.transports.smpp import SmppTransport
from tests.benchmarks.backlog import Figure
from tests.delivery.peers.peer import outgoing
from tests.delivery.peers.smpp import section

_DEFAULT = 20_000
_WINDOWS = (1, 10, 50)
_HEADER = struct.Struct(">IIII")


def run(n: int | None, url: str | None, folder: Path) -> Iterator[Figure]:
    """Measure the limit of the loopback, then the transport with several windows."""
    count = n or _DEFAULT
    ours, theirs = multiprocessing.Pipe()
    centre = multiprocessing.Process(target=_centre, args=(theirs,), daemon=True)
    centre.start()
    port = ours.recv()
    limit = _round_trips(port, count)
    yield {"figure": "round_trips_per_second", "peer": "bare sockets, one at a time", "value": round(limit)}
    for window in _WINDOWS:
        spent = _measure(port, count, window)
        value = round(count / spent)
        yield {"figure": "messages_per_second", "window": window, "value": value, "ratio": round(value / limit, 2)}
    centre.terminate()
    centre.join()


def _measure(port: int, count: int, window: int) -> float:
    transport = SmppTransport(section(port, window=window), folder=Path(), region="US", take_in=lambda _: None)
    list(transport.hand_over(iter([outgoing()])))  # until it is bound
    began = time.perf_counter()
    results = list(transport.hand_over(outgoing(number) for number in range(count)))
    spent = time.perf_counter() - began
    transport.close()
    if not all(isinstance(each, Accepted) for each in results):
        raise RuntimeError("the centre did not accept everything")
    return spent


def _round_trips(port: int, count: int) -> float:
    """Send requests of the same size by hand, each after the last one's answer, as fast as sockets allow."""
    request = _HEADER.pack(100, 4, 0, 1) + bytes(84)
    with socket.create_connection(("127.0.0.1", port)) as connection:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        began = time.perf_counter()
        for _ in range(count):
            connection.sendall(request)
            connection.recv(100)
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
            answers.append(_HEADER.pack(25, command | 0x80000000, 0, sequence) + b"%08d\0" % (sequence % 10**8))
        connection.sendall(b"".join(answers))
