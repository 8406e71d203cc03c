"""`reminders api-keys`: the keys by which other programs use the programming interface."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

import click

from reminders.care.timing import as_text
from reminders.cli.json_output import print_json
from reminders.cli.options import acting, by_option, json_option, opened
from reminders.cli.terminal import line, show_rows, table, warn, when
from reminders.desk.api_keys import KeyState, NewKey, Scope, add_key, list_keys, revoke_key
from reminders.desk.course_facts import parse_moment
from reminders.records.tables_api import ApiKey
from reminders.words import gettext, marked, shown


@click.group(
    "api-keys",
    invoke_without_command=True,
    epilog="""\b
Examples:
  reminders api-keys
  reminders api-keys add "Appointment book" --scope enroll --scope courses:write
  reminders api-keys add "Trial" --scope messages:read --expires 2026-12-31T18:00
  reminders api-keys revoke "Trial"
""",
)
@json_option
@click.pass_context
def api_keys(ctx: click.Context, as_json: bool) -> None:
    """List the keys by which other programs call; none of them can be seen again."""
    if ctx.invoked_subcommand is not None:
        return
    app = opened(ctx)
    with app.database.reading() as session:
        found = list_keys(session, app.desk)
    zone = app.config.zone
    if as_json:
        print_json([_as_json(key, state, zone) for key, state in found])
        return
    show_rows(
        table(
            gettext("Key"),
            (gettext("Begins with"), {"no_wrap": True}),
            gettext("State"),
            (gettext("May"), {"ratio": 1}),
            gettext("Expires"),
            gettext("Last used"),
        ),
        (
            [
                key.name,
                key.prefix,
                shown(str(state)),
                ", ".join(key.scopes),
                when(key.expires_at, zone) if key.expires_at else "",
                key.last_used_on.isoformat() if key.last_used_on else gettext("never"),
            ]
            for key, state in found
        ),
    )


@api_keys.command(epilog='\b\nExample:\n  reminders api-keys add "Appointment book" --scope enroll\n')
@click.argument("name")
@click.option("--scope", "scopes", multiple=True, metavar="SCOPE", help=f"May: {', '.join(Scope)}; repeatable.")
@click.option("--expires", metavar="TIME", help="From when on it holds no more, like 2026-12-31T18:00.")
@by_option
@json_option
@click.pass_context
def add(
    ctx: click.Context, name: str, scopes: tuple[str, ...], expires: str | None, by: str | None, as_json: bool
) -> None:
    """Make a key called NAME, as histories name it, and print it this one time."""
    app = opened(ctx)
    until = marked("the end of the key")
    expires_at = parse_moment(expires, app.config.zone, what=until, region=app.desk.region) if expires else None
    wanted = NewKey(name=name, scopes=scopes, expires_at=expires_at, made_by=acting(by))
    with app.database.writing() as session:
        key = add_key(session, app.desk, wanted)
    if as_json:
        print_json({"name": name.strip(), "key": key})
        return
    warn(gettext("This is shown once; whoever has it may do what its scopes say."))
    line(key)


@api_keys.command(epilog='\b\nExample:\n  reminders api-keys revoke "Appointment book"\n')
@click.argument("name")
@json_option
@click.pass_context
def revoke(ctx: click.Context, name: str, as_json: bool) -> None:
    """Let the key called NAME hold no more, from the next call on."""
    app = opened(ctx)
    with app.database.writing() as session:
        revoke_key(session, app.desk, name)
    if as_json:
        print_json({"name": name.strip(), "state": str(KeyState.REVOKED)})
    else:
        line(gettext("{name} holds no more.", name=name.strip()), style="bold")


def _as_json(key: ApiKey, state: KeyState, zone: ZoneInfo) -> dict[str, Any]:
    return {
        "name": key.name,
        "prefix": key.prefix,
        "state": str(state),
        "scopes": key.scopes,
        "created_at": as_text(key.created_at, zone),
        "created_by": key.created_by,
        "expires_at": as_text(key.expires_at, zone),
        "revoked_at": as_text(key.revoked_at, zone),
        "last_used_on": key.last_used_on.isoformat() if key.last_used_on else None,
    }
