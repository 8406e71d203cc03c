"""Serves the demo's practice after its two weeks were played: invented people sign in, and time goes on from there."""

from __future__ import annotations

from pathlib import Path

import click

from reminders.assembly import App
from reminders.clock import ShiftedClock
from reminders.config import load_config
from reminders.desk.passwords import hash_password
from reminders.desk.roles import Role
from reminders.records import staff
from reminders.records.tables_staff import StaffMember
from reminders.web.serving import alone, serve

PASSWORD = "an invented practice"  # noqa: S105  of invented people, for this computer only
_PEOPLE = (
    ("desk", "Fran Desk", (Role.FRONT_DESK,), ""),
    ("nurse", "Noor Nurse", (Role.NURSE,), ""),
    ("clinician", "Dr. Cleo Invented", (Role.CLINICIAN, Role.ADMINISTRATOR), "00000"),
)


def serve_practice(out: Path, clock: ShiftedClock, port: int | None) -> None:
    """Serve what the demo left in `out` until Ctrl-C; what is due is written to its outbox folder."""
    config = load_config(out / "config.toml")
    # With an address patients have pages of their own, too.
    here = {"port": port or config.web.port, "address": config.web.at_port(port)}
    app = App(config.model_copy(update={"web": config.web.model_copy(update=here)}), clock)
    employ(app)
    click.echo(f"\nOpen {app.config.web.base} and sign in as desk, nurse or clinician; the password: {PASSWORD}")
    click.echo("Everybody is invented, and nothing leaves this computer. Ctrl-C stops.")
    dispatcher = app.dispatcher()
    try:
        with alone(out):
            serve(app, port=app.config.web.port, runner=app.runner(dispatcher), dispatches=True)
    finally:
        dispatcher.close()
        app.database.close()


def employ(app: App) -> None:
    """Let the invented people work here."""
    hashed = hash_password(PASSWORD)
    with app.database.writing() as session:
        for login, name, roles, number in _PEOPLE:
            person = StaffMember(
                practice_id=app.config.practice.id,
                login=login,
                name=name,
                license=number,
                roles=[role.value for role in roles],
                state="active",
                password_hash=hashed,
                created_at=app.clock.now(),
            )
            staff.add_member(session, person)
