"""`reminders consent`: a patient's consent history; record that it was given or withdrawn."""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

import click

from reminders.assembly import App
from reminders.cli.json_output import print_json
from reminders.cli.options import about_to_show, acting, by_option, json_option, opened
from reminders.cli.terminal import line, short_when, show_rows, table, warn
from reminders.desk.consent import ConsentStep, consent_state, withdraw_consent
from reminders.desk.enroll import STANDARD_CONSENT
from reminders.desk.new_address import use_address
from reminders.desk.shapes import consents_as_json
from reminders.desk.statement import Statement
from reminders.desk.trail import Action
from reminders.errors import InputError
from reminders.words import gettext, retold, shown


@click.command(
    epilog="""\b
Examples:
  reminders consent 7
  reminders consent 7 --give 312-555-0123 --by "F. Desk"
  reminders consent 7 --withdraw sms --wording "said so on the phone" --by "F. Desk"
""",
)
@click.argument("patient", type=int)
@click.option("--give", metavar="ADDRESS", help="The patient agreed to be written to at this number or e-mail.")
@click.option("--withdraw", metavar="CHANNEL", help="The patient wants no more: sms or email.")
@click.option("--wording", metavar="TEXT", help="What was said, word for word; needed to withdraw.")
@by_option
@json_option
@click.pass_context
def consent(
    ctx: click.Context,
    patient: int,
    give: str | None,
    withdraw: str | None,
    wording: str | None,
    by: str | None,
    as_json: bool,
) -> None:
    """Show the consent history of PATIENT, or add a line to it with --give or --withdraw."""
    if give and withdraw:
        raise InputError(gettext("say --give or --withdraw, not both"))
    if withdraw and not (wording and wording.strip()):
        raise InputError(gettext("--wording is needed: what the patient said"))
    app = opened(ctx)
    with app.database.writing() as session:
        warnings: tuple[str, ...] = ()
        if give:
            statement = Statement(wording=wording or STANDARD_CONSENT, recorded_by=acting(by))
            warnings = use_address(session, app.desk, patient, give, statement)
        elif withdraw:
            statement = Statement(wording=wording or "", recorded_by=acting(by))
            withdraw_consent(session, app.desk, patient, withdraw.strip().lower(), statement)
    _show(app, patient, warnings, as_json=as_json)


def _show(app: App, patient_id: int, warnings: tuple[str, ...], *, as_json: bool) -> None:
    with app.database.reading() as session:
        found = consent_state(session, app.desk, patient_id)
    about_to_show(app, Action.CONSENT_SEE, (patient_id, ""))
    if as_json:
        print_json(consents_as_json(found, warnings, app.config.zone))
        return
    for warning in warnings:
        warn(warning)
    for contact in found.addresses:
        line(f"{contact.channel} {contact.address}: {shown(contact.state)}", style="bold")
    show_consent_history(found.history, app.config.zone)


def show_consent_history(history: Sequence[ConsentStep], zone: ZoneInfo) -> None:
    """Show each step of a patient's consent: when, what, for which address, who recorded it, in which words."""
    show_rows(
        table(
            (gettext("When"), {"no_wrap": True}),
            gettext("What"),
            gettext("Address"),
            gettext("By"),
            (gettext("Words"), {"ratio": 1}),
        ),
        (
            [
                short_when(each.at, zone),
                shown(each.action),
                each.address,
                retold(each.recorded_by),
                retold(each.wording),
            ]
            for each in history
        ),
    )
