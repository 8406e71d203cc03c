"""Puts rendered bodies into the one frame around them, and says what the whole costs."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from jinja2 import TemplateError

from reminders.care.values import Channel
from reminders.errors import Fault, PlanError
from reminders.sentences import english
from reminders.wording import sms
from reminders.wording.email_body import plain_text
from reminders.wording.facts import one_line
from reminders.wording.texts import Text, Texts

FRAME = "frame"
"""The text around the bodies of a scheduled message."""
ANSWER_FRAME = "frame_answer"
"""The text around an automatic answer by e-mail; an answer by SMS has the frame of any other."""

_BODY_MARK = "\x00"  # stands for the bodies while the frame is rendered; no value can hold it


@dataclass(frozen=True, kw_only=True)
class Rendered:
    """A message as it goes out."""

    channel: Channel
    text: str
    """The SMS, or the e-mail as plain text."""
    subject: str | None
    """Of an e-mail."""
    markdown: str | None
    """The e-mail as it was written."""
    encoding: str | None
    """Of an SMS: `gsm7` or `ucs2`."""
    units: int
    """Septets or 16-bit units of an SMS; 0 for an e-mail."""
    segments: int
    """Of an SMS; 0 for an e-mail."""


@dataclass(frozen=True)
class Part:
    """A piece of a message: the SMS's words, or the e-mail's Markdown beside its plain form."""

    text: str
    plain: str = ""
    subject: str = ""


@dataclass(frozen=True, eq=False)
class Frame:
    """What stands before and after the bodies; equal to itself only, as each is a part of many keys."""

    before: Part
    after: Part


def frame_of(texts: Texts, name: str, channel: Channel, values: Mapping[str, object]) -> Frame:
    """Return a frame rendered for one course; PlanError unless it has exactly one place for the body."""
    text = texts.text(name, channel)
    rendered = rendered_part(text, channel, {**values, "body": _BODY_MARK}, in_subject={}).text
    before, found, after = rendered.partition(_BODY_MARK)
    if not found or _BODY_MARK in after:
        raise PlanError(
            (Fault(file=text.path, line=0, message=english("a frame has {{{{ body }}}} exactly once").format()),)
        )
    if channel is Channel.EMAIL:
        return Frame(*(Part(side.strip(), plain_text(side).strip()) for side in (before, after)))
    return Frame(Part(before), Part(after))


def rendered_part(text: Text, channel: Channel, values: Mapping[str, object], *, in_subject: Mapping[str, str]) -> Part:
    """Return a template filled with values; PlanError, naming its file, when it uses one that there is not.

    `in_subject` are the names as a header shows them, unlike `values` not escaped for Markdown.
    """
    try:
        # A line that held only a condition leaves an empty one.
        body = re.sub(r"\n\s*\n", "\n\n", text.body.render(values)).strip()
        if channel is Channel.SMS:
            return Part(body)
        subject = one_line(text.subject.render({**values, **in_subject})) if text.subject else ""
    except TemplateError as error:
        raise PlanError((Fault(file=text.path, line=0, message=str(error)),)) from error
    return Part(body, plain_text(body).strip(), subject)


def put_together(bodies: Sequence[Part], frame: Frame, channel: Channel) -> Rendered:
    """Return the message of one or several bodies; an e-mail has the first one's subject."""
    if channel is Channel.EMAIL:
        parts = [part for part in (frame.before, *bodies, frame.after) if part.text]
        return Rendered(
            channel=channel,
            text="\n\n".join(part.plain for part in parts) + "\n",
            subject=bodies[0].subject,
            markdown="\n\n".join(part.text for part in parts) + "\n",
            encoding=None,
            units=0,
            segments=0,
        )
    text = frame.before.text + "\n".join(part.text for part in bodies) + frame.after.text
    measured = sms.measure(text)
    return Rendered(
        channel=channel,
        text=text,
        subject=None,
        markdown=None,
        encoding=measured.encoding.value,
        units=measured.units,
        segments=measured.segments,
    )
