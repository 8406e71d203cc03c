"""`reminders reply`: feeds in what a patient wrote, as a gateway would."""

from __future__ import annotations

from typing import Any

import click

from reminders.assembly import App
from reminders.cli.json_output import print_json
from reminders.cli.options import json_option, opened, whole_text
from reminders.cli.terminal import line, warn
from reminders.desk.contact_details import parse_email, parse_phone
from reminders.desk.take_reply import Incoming, Taken, take_reply
from reminders.errors import InputError
from reminders.records.finding import answers_to

_STYLES = {"emergency": "bold white on red", "urgent": "bold red", "routine": "yellow", "wrong_person": "yellow"}


@click.command(
    epilog="""\b
Examples:
  reminders reply --from 312-555-0123 "my toe is dark and cold"
  reminders reply --from pat@example.org --json - < mail.txt
  reminders reply --from +13125550123 --ref gateway-77 STOP
""",
)
@click.argument("text")
@click.option("--from", "sender", required=True, metavar="NUMBER|EMAIL", help="Who wrote.")
@click.option("--ref", metavar="REF", help="The gateway's own name for it: the same twice is one reply.")
@json_option
@click.pass_context
def reply(ctx: click.Context, text: str, sender: str, ref: str | None, as_json: bool) -> None:
    """Take in TEXT (`-` reads it from stdin): read it, store it, act on it and answer.

    The answer goes into the outbox; `reminders run` sends it.
    """
    app = opened(ctx)
    incoming = _incoming(app, sender, whole_text(text), ref)
    with app.database.writing() as session:
        taken = take_reply(session, app.desk, incoming)
        answer = answers_to(session, [taken.reply_id]).get(taken.reply_id)
    words = answer.text if answer else None
    if as_json:
        print_json(_as_json(taken, words))
    else:
        _show(taken, words)


def _incoming(app: App, sender: str, text: str, ref: str | None) -> Incoming:
    if not text.strip():
        raise InputError("the reply is empty")
    if "@" in sender:
        return Incoming(channel="email", sender=parse_email(sender), text=text, gateway_ref=ref)
    number = parse_phone(sender, region=app.desk.region, zone=app.desk.zone, at=app.clock.now())
    return Incoming(channel="sms", sender=number.e164, text=text, gateway_ref=ref)


def _show(taken: Taken, words: str | None) -> None:
    if not taken.is_new:
        warn(f"this reply was taken in before, as reply {taken.reply_id}; nothing was done again")
    signs = ", ".join(sign.replace("_", " ") for sign in taken.signs)
    label = str(taken.label)
    line(f"{label.replace('_', ' ')}{': ' + signs if signs else ''}", style=_STYLES.get(label, "bold"))
    if taken.patient_id is None:
        line("Nobody is known under this address.")
    if taken.concern_id is not None:
        line(f"Concern {taken.concern_id} is for staff: reminders concerns")
    if words:
        line(f"Answered: {words}")
    elif taken.is_new:
        line("No answer is sent.")


def _as_json(taken: Taken, words: str | None) -> dict[str, Any]:
    return {
        "reply": taken.reply_id,
        "new": taken.is_new,
        "label": str(taken.label),
        "signs": list(taken.signs),
        "patient": taken.patient_id,
        "concern": taken.concern_id,
        "answered_with": taken.answered_with,
        "answer": words,
    }
