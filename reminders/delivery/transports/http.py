"""Hands SMS over to any gateway that speaks HTTP; what it wants and what it says stands in the configuration."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import datetime
from pathlib import Path
from threading import Lock

import httpx

from reminders.config_delivery import HttpSection
from reminders.delivery.outgoing import Capabilities, LookUp, Outgoing, Result
from reminders.delivery.tls import client_context
from reminders.delivery.transports.http_answer import (
    Answer,
    id_and_status,
    in_codes,
    judge,
    retry_after_seconds,
)
from reminders.delivery.transports.http_request import RequestWriter
from reminders.delivery.transports.slowing import Slowdown
from reminders.errors import Away, InDoubt, InputError, Refused, Throttled, Unreachable
from reminders.sentences import english

for _name in ("httpx", "httpcore"):
    logging.getLogger(_name).setLevel(logging.WARNING)  # below it they log addresses, which may hold numbers and texts

_NOTHING_SENT = (httpx.ConnectError, httpx.ConnectTimeout, httpx.PoolTimeout, httpx.ProxyError)
_IDLE_SECONDS = 5.0
"""A connection idle for longer is not used again: the gateway may close it just as we write."""


class HttpTransport:
    """Several requests may be under way at once; each is one message. Redirects are not followed."""

    name = "http"

    def __init__(self, section: HttpSection, *, folder: Path, now: Callable[[], datetime]) -> None:
        """Prepare; ConfigError when a template, a secret or the certificates can't be used."""
        self._section = section
        self._now = now
        self._writer = RequestWriter(section, folder=folder)
        self._client = _client(section, folder)
        self._pool = ThreadPoolExecutor(section.parallel, thread_name_prefix="http")
        self._slowdown = Slowdown()
        self._pacing = Lock()

    @property
    def capabilities(self) -> Capabilities:
        """What it can do, which the configuration decides."""
        section = self._section
        return Capabilities(
            channels=frozenset({"sms"}),
            batch_size=section.parallel,
            receipts=section.receipt_hook is not None,
            idempotency_key=bool(section.idempotency_header) or section.drops_doubles,
            status_query=section.status_query is not None,
        )

    def hand_over(self, batch: Iterable[Outgoing]) -> Iterator[Result]:
        """Send messages, as many at once as configured, and give the verdicts in the order of the messages."""
        if not self._slowdown.wait():
            return
        under_way: deque[Future[Result]] = deque()
        for message in batch:
            under_way.append(self._pool.submit(self._send, message))
            if len(under_way) >= self._section.parallel:
                yield under_way.popleft().result()
            if not self._slowdown.wait():
                break
        while under_way:
            yield under_way.popleft().result()

    def look_up(self, keys: Collection[str]) -> LookUp:
        """Ask the gateway about each key, if it can be asked; Unreachable when it does not answer."""
        if self._section.status_query is None:
            return LookUp()
        went_out: dict[str, str] = {}
        absent: set[str] = set()
        for key in keys:
            known, ref = self._ask(key)
            if known:
                went_out[key] = ref
            elif known is False:
                absent.add(key)
        return LookUp(went_out=went_out, absent=frozenset(absent))

    def close(self) -> None:
        """Close the connections."""
        self._pool.shutdown()
        self._client.close()

    def _send(self, message: Outgoing) -> Result:
        try:
            request = self._writer.write(message)
        except InputError as error:
            return Refused(str(error))
        try:
            response = self._client.request(self._section.method, **request)
        except _NOTHING_SENT as error:
            return Away(english("the gateway can't be reached: {error}").format(error=type(error).__name__))
        except (httpx.HTTPError, httpx.InvalidURL) as error:
            return InDoubt(english("the gateway did not answer: {error}").format(error=type(error).__name__))
        answer = _answer(response)
        result = judge(answer, self._section.answer, key=message.idempotency_key)
        self._pace(result, answer)
        return result

    def _pace(self, result: Result, answer: Answer) -> None:
        with self._pacing:
            if isinstance(result, Throttled) or (isinstance(result, Unreachable) and answer.retry_after):
                self._slowdown.complained(retry_after_seconds(answer, self._now()))
            elif not isinstance(result, Unreachable):
                self._slowdown.taken()

    def _ask(self, key: str) -> tuple[bool | None, str]:
        """Return whether a message went out, None when the answer does not tell, and its reference."""
        asked = self._section.status_query
        if asked is None:
            return None, ""
        try:
            response = self._client.get(**self._writer.ask(key))
        except (httpx.HTTPError, httpx.InvalidURL) as error:
            raise Unreachable(
                english("the gateway can't be asked: {error}").format(error=type(error).__name__)
            ) from error
        if in_codes(response.status_code, asked.absent_codes):
            return False, ""
        if not response.is_success:
            raise Unreachable(
                english("the gateway can't be asked: {error}").format(
                    error=english("answer {code}").format(code=response.status_code)
                )
            )
        found, status = id_and_status(_answer(response), asked)
        if status in asked.absent:
            return False, ""
        # Who has no status to go by must see the message itself: any page of the way there could answer 200.
        if status in asked.went_out if asked.went_out else found:
            return True, found or key
        return None, ""


def _client(section: HttpSection, folder: Path) -> httpx.Client:
    auth: httpx.Auth | None = None
    headers: dict[str, str] = {}
    if section.auth is not None:
        secret = section.auth.secret.read(folder)
        if section.auth.kind == "basic":
            auth = httpx.BasicAuth(section.auth.user, secret)
        else:
            headers["Authorization"] = f"Bearer {secret}"
    return httpx.Client(
        auth=auth,
        headers=headers,
        verify=client_context(section.ca_file, folder, setting="delivery.http.ca_file"),
        timeout=httpx.Timeout(section.answer_seconds, connect=section.connect_seconds),
        limits=httpx.Limits(max_connections=section.parallel, keepalive_expiry=_IDLE_SECONDS),
        follow_redirects=False,
        trust_env=False,  # a proxy or a .netrc of the host is nobody's decision here
    )


def _answer(response: httpx.Response) -> Answer:
    return Answer(code=response.status_code, body=response.content, headers=dict(response.headers))
