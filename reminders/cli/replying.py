"""`reminders reply`: feeds in what a patient wrote, as a gateway would."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from reminders.assembly import App
from reminders.cli.json_output import print_json
from reminders.cli.options import json_option, opened, whole_text
from reminders.cli.terminal import line, warn
from reminders.desk.contact_details import parse_email, parse_phone
from reminders.desk.shapes import taken_as_json
from reminders.desk.take_reply import Incoming, Taken, take_reply
from reminders.errors import InputError
from reminders.records.finding import answers_to
from reminders.words import gettext, marked, shown, shown_all

_STYLES = {"emergency": "bold white on red", "urgent": "bold red", "routine": "yellow", "wrong_person": "yellow"}


@click.command(
    epilog="""\b
Examples:
  reminders reply --from 312-555-0123 "my toe is dark and cold"
  reminders reply --from pat@example.org --json - < mail.txt
  reminders reply --from +13125550123 --ref gateway-77 STOP
  reminders reply --email < mail.eml || exit 75
\b
The last line is what a mail server's pipe calls: 75 tells it to try again later (sysexits.h).
""",
)
@click.argument("text", required=False)
@click.option("--from", "sender", metavar="NUMBER|EMAIL", help="Who wrote.")
@click.option("--ref", metavar="REF", help="The gateway's own name for it: the same twice is one reply.")
@click.option("--email", "is_mail", is_flag=True, help="TEXT is a file that holds a whole mail, or - for stdin.")
@json_option
@click.pass_context
def reply(
    ctx: click.Context, text: str | None, sender: str | None, ref: str | None, is_mail: bool, as_json: bool
) -> None:
    """Take in TEXT (`-` reads it from stdin): read it, store it, act on it and answer.

    The answer goes into the outbox; `reminders run` sends it.
    """
    app = opened(ctx)
    if is_mail:
        if sender or ref:
            raise InputError(gettext("a mail says itself who wrote it: leave --from and --ref away"))
        _take_mail(app, _octets(text or "-"), as_json=as_json)
        return
    if sender is None or text is None:
        raise click.UsageError(
            gettext("say who wrote and what: --from NUMBER TEXT, or --from EMAIL TEXT; or give --email")
        )
    incoming = _incoming(app, sender, whole_text(text), ref)
    with app.database.writing() as session:
        taken = take_reply(session, app.desk, incoming)
    _tell(app, taken, as_json=as_json)


def _take_mail(app: App, octets: bytes, *, as_json: bool) -> None:
    mail = app.mail_intake.take_in(octets)
    taken = next((each for each in mail.results if isinstance(each, Taken)), None)
    if taken is not None:
        _tell(app, taken, as_json=as_json)
    elif as_json:
        print_json({"report": mail.detail, "message": mail.message_id})
    else:
        line(gettext("A report about message {id}: {detail}", id=mail.message_id, detail=mail.detail))


def _octets(name: str) -> bytes:
    if name == "-":
        return sys.stdin.buffer.read()
    try:
        return Path(name).read_bytes()
    except OSError as error:
        raise InputError(gettext("{file} can't be read: {why}", file=name, why=error.strerror)) from None


def _tell(app: App, taken: Taken, *, as_json: bool) -> None:
    with app.database.reading() as session:
        answer = answers_to(session, [taken.reply_id]).get(taken.reply_id)
    words = answer.text if answer else None
    if as_json:
        print_json(taken_as_json(taken, words))
    else:
        _show(taken, words)


def _incoming(app: App, sender: str, text: str, ref: str | None) -> Incoming:
    if not text.strip():
        raise InputError(gettext("the reply is empty"))
    if "@" in sender:
        return Incoming(channel="email", sender=parse_email(sender), text=text, gateway_ref=ref)
    number = parse_phone(sender, region=app.desk.region, zone=app.desk.zone, at=app.clock.now())
    return Incoming(channel="sms", sender=number.e164, text=text, gateway_ref=ref)


def _show(taken: Taken, words: str | None) -> None:
    if not taken.is_new:
        again = marked("this reply was taken in before, as reply {id}; nothing was done again")
        warn(gettext(again, id=taken.reply_id))
    signs = shown_all(taken.signs)
    label = str(taken.label)
    line(f"{shown(label)}{': ' + signs if signs else ''}", style=_STYLES.get(label, "bold"))
    if taken.patient_id is None:
        line(gettext("Nobody is known under this address."))
    if taken.concern_id is not None:
        line(gettext("Concern {id} is for staff: {command}", id=taken.concern_id, command="reminders concerns"))
    if words:
        line(gettext("Answered: {words}", words=words))
    elif taken.is_new:
        line(gettext("No answer is sent."))
