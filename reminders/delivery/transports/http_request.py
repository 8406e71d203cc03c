"""Knows how a message becomes the request that a gateway wants: templates whose values are escaped for their place."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import StrictUndefined, Template, TemplateError, Undefined
from jinja2.sandbox import SandboxedEnvironment

from reminders.config_delivery import HttpSection
from reminders.delivery.outgoing import Outgoing
from reminders.errors import ConfigError, InputError
from reminders.sentences import english

_SAMPLE = Outgoing(
    id=1,
    idempotency_key="sample-1",
    practice_id="main",
    channel="sms",
    address="+12025550100",
    language="en",
    text='Say "yes" \\ no\n{{ 7 * 7 }} ñ',
    subject=None,
    markdown=None,
    encoding="ucs2",
    segments=1,
    answers=False,
)
"""A message with what is hard to escape in it."""


class RequestWriter:
    """Writes requests by the templates of one configuration."""

    def __init__(self, section: HttpSection, *, folder: Path) -> None:
        """Compile every template and try it; ConfigError names the one that is faulty."""
        self._sender = section.sender
        self._secrets = {name: secret.read(folder) for name, secret in section.secrets.items()}
        in_json, in_url, plain = (_environment(each) for each in (_as_json, _as_url, _as_text))
        self._url = _template(in_url, "url", section.url)
        self._json = _template(in_json, "json_body", section.json_body) if section.json_body else None
        self._form = _templates(plain, "form", section.form)
        self._query = _templates(plain, "query", section.query)
        self._headers = _templates(plain, "headers", section.headers)
        self._key_header = section.idempotency_header
        asked = section.status_query
        self._status_url = _template(in_url, "status_query.url", asked.url if asked else "")
        self._status_headers = _templates(plain, "status_query.headers", asked.headers if asked else {})
        try:
            written = self.write(_SAMPLE)
            json.loads(written.get("content", b"null"))
            self.ask(_SAMPLE.idempotency_key)
        except InputError as error:
            raise ConfigError(f"delivery.http: {error}") from None
        except ValueError as error:
            raise ConfigError(
                english("delivery.http.json_body: does not give JSON: {error}").format(error=error)
            ) from None

    def write(self, message: Outgoing) -> dict[str, Any]:
        """Return the request's parts as the HTTP client wants them; InputError when a template fails."""
        values = self._values(message)
        headers = {name: _header(name, _filled(template, values)) for name, template in self._headers.items()}
        if self._key_header:
            headers[self._key_header] = message.idempotency_key
        parts: dict[str, Any] = {"url": _filled(self._url, values), "headers": headers}
        if self._query:
            parts["params"] = {name: _filled(template, values) for name, template in self._query.items()}
        if self._json is not None:
            parts["content"] = _filled(self._json, values).encode()
            headers.setdefault("Content-Type", "application/json")
        elif self._form:
            parts["data"] = {name: _filled(template, values) for name, template in self._form.items()}
        return parts

    def ask(self, key: str) -> dict[str, Any]:
        """Return, likewise, the parts of the request that asks what became of a message."""
        values = {"key": key, "secret": self._secrets}
        headers = {name: _header(name, _filled(template, values)) for name, template in self._status_headers.items()}
        return {"url": _filled(self._status_url, values), "headers": headers}

    def _values(self, message: Outgoing) -> dict[str, object]:
        return {
            "id": message.id,
            "key": message.idempotency_key,
            "practice": message.practice_id,
            "to": message.address,
            "to_digits": message.address.removeprefix("+"),
            "sender": self._sender,
            "text": message.text,
            "language": message.language,
            "encoding": message.encoding,
            "segments": message.segments,
            "secret": self._secrets,
        }


def _environment(finalize: Callable[[object], str]) -> SandboxedEnvironment:
    # There is no HTML here; `finalize` escapes each value for the place at hand.
    return SandboxedEnvironment(undefined=StrictUndefined, finalize=finalize, autoescape=False)


def _template(environment: SandboxedEnvironment, field: str, source: str) -> Template:
    try:
        return environment.from_string(source)
    except TemplateError as error:
        raise ConfigError(f"delivery.http.{field}: {error}") from None


def _templates(environment: SandboxedEnvironment, field: str, sources: Mapping[str, str]) -> dict[str, Template]:
    return {name: _template(environment, f"{field}.{name}", source) for name, source in sources.items()}


def _filled(template: Template, values: Mapping[str, object]) -> str:
    try:
        return template.render(values)
    except (TemplateError, TypeError, ValueError, ArithmeticError, LookupError) as error:
        raise InputError(english("a template can't be filled: {error}").format(error=error)) from None


def _header(name: str, value: str) -> str:
    if not (value.isascii() and value.isprintable()):
        raise InputError(english("header {name}: only printable ASCII may stand in it").format(name=name))
    return value


def _as_json(value: object) -> str:
    if isinstance(value, Undefined):
        return str(value)  # which raises, and names it
    return json.dumps(value, ensure_ascii=False)


def _as_url(value: object) -> str:
    return quote(str(value), safe="")


def _as_text(value: object) -> str:
    return str(value)
