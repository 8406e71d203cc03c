"""The page of one's own sign-in: password and second factor."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from typing import Annotated

import segno
from fastapi import APIRouter
from fastapi.responses import Response
from markupsafe import Markup

from reminders.desk import own_account
from reminders.desk.blamed import Blamed, blame
from reminders.desk.one_time_codes import is_secret, set_up_uri
from reminders.errors import InputError
from reminders.web.forms import go
from reminders.web.staff.here import Here, acts

router = APIRouter()
OwnPage = Annotated[Here, acts()]
OwnChange = Annotated[Here, acts(keeps=False)]


@router.get("/staff/account")
def account(here: OwnPage, done: str = "") -> Response:
    """Show the person's own sign-in."""
    return here.show("account.html", done=done)


@router.post("/staff/account/password")
def change_password(here: OwnChange) -> Response:
    """Change the password; other browsers are signed out."""
    try:
        own_account.change_password(
            here.site.database, here.desk, here.who, old=here.form.text("old"), new=here.form.text("new")
        )
    except InputError as error:
        return here.show("account.html", status=400, problems=blame("new", error.problems))
    return go("/staff/account?done=password")


@router.post("/staff/account/factor")
def set_up_factor(here: OwnChange) -> Response:
    """Show a new secret to an authenticator, and take it once a code proves that it was read."""
    secret = here.form.text("secret")
    if not is_secret(secret):
        return _show_secret(here, own_account.fresh_secret())
    try:
        own_account.set_second_factor(here.site.database, here.desk, here.who, secret, here.form.text("code"))
    except InputError as error:
        return _show_secret(here, secret, problems=blame("code", error.problems))
    return go("/staff/account?done=factor")


@router.post("/staff/account/factor/remove")
def remove_factor(here: OwnChange) -> Response:
    """Take the second factor away; asks for the password."""
    try:
        own_account.remove_second_factor(here.site.database, here.desk, here.who, password=here.form.text("old"))
    except InputError as error:
        return here.show("account.html", status=400, problems=[Blamed(each, "old-too") for each in error.problems])
    return go("/staff/account?done=removed")


def _show_secret(here: Here, secret: str, *, problems: Sequence[str] = ()) -> Response:
    uri = set_up_uri(secret, login=here.who.login, practice=here.site.app.config.practice.name)
    picture = BytesIO()
    segno.make(uri, micro=False).save(
        picture, kind="svg", scale=5, border=4, light="#fff", dark="#000", xmldecl=False, svgns=True, omitsize=False
    )
    qr = Markup(picture.getvalue().decode())  # noqa: S704  drawn by the library, with no word of anybody in it
    status = 400 if problems else 200
    return here.show("factor.html", status=status, secret=secret, qr=qr, problems=problems)
