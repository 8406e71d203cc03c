"""The pages before all others: sign in, follow an invitation, go on where a sign-in ran out, sign out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from reminders.desk import signing_in, staff
from reminders.desk.blamed import Blamed, blame
from reminders.desk.roles import Right, Role
from reminders.desk.signing_in import CodeNeeded, SignedIn, Tried
from reminders.desk.staff import Newcomer
from reminders.errors import InputError, NotFound
from reminders.records import staff as rows
from reminders.records.audit import Who
from reminders.web.forms import Form, form_of, go
from reminders.web.site import Site, TheSite, site_of
from reminders.web.staff.here import (
    GO_ON,
    Here,
    acts,
    check_anonymous,
    cookie_name,
    is_ours,
    limits_of,
    set_cookie,
    show_anonymous,
    signed_in_quietly,
)
from reminders.words import gettext

router = APIRouter()
TheForm = Annotated[Form, Depends(form_of)]
_FIRST_PAGES = (
    (Right.WORK_CONCERNS, "/staff/concerns"),
    (Right.ENROLL, "/staff/checkout"),
    (Right.RUN_PRACTICE, "/staff/settings"),
)


@router.get("/staff/sign-in")
def ask(request: Request, next: str = "") -> Response:  # noqa: A002  as it stands in the address
    """Show the form to sign in."""
    return show_anonymous(request, "sign_in.html", next=next if is_ours(next) else "", login="")


@router.post("/staff/sign-in")
def sign_in(request: Request, site: TheSite, form: TheForm) -> Response:
    """Sign somebody in, or say that it did not match."""
    check_anonymous(request, form)
    tried = Tried(login=form.text("login"), password=form.text("password"), code=form.text("code"))
    then = form.text("next") if is_ours(form.text("next")) else ""
    status, problem = 401, ""
    if not site.sign_ins.allows(request.client.host if request.client else "", site.clock.now()):
        status, problem = 429, gettext("Too many tries came from here; wait five minutes.")
    else:
        try:
            token = signing_in.sign_in(site.database, site.desk, tried, limits_of(site))
        except InputError as error:
            problem = Blamed(str(error), "code" if isinstance(error, CodeNeeded) else "password")
        else:
            return _enter(site, request, token, then)
    return show_anonymous(request, "sign_in.html", status=status, problem=problem, next=then, login=tried.login)


@router.get("/staff/welcome/{token}")
def welcome(request: Request, site: TheSite, token: str) -> Response:
    """Show whom a link lets in, and ask for a password; looking does not use it up."""
    return _welcome(request, site, token, Newcomer(login="", name="", roles=()))


@router.post("/staff/welcome/{token}")
def follow(request: Request, site: TheSite, form: TheForm, token: str) -> Response:
    """Use a link up: set the password and sign in."""
    check_anonymous(request, form)
    roles = form.all("roles") or (str(Role.ADMINISTRATOR),)
    first = Newcomer(login=form.text("login"), name=form.text("name"), roles=roles, license=form.text("license"))
    try:
        with site.database.writing(by=Who("staff")) as session:
            staff_id = staff.follow_link(session, site.desk, token, form.text("password"), first)
            signed = signing_in.sign_in_invited(session, staff_id, site.clock.now(), limits_of(site))
    except NotFound:
        raise
    except InputError as error:
        return _welcome(request, site, token, first, problems=blame("password", error.problems))
    return _enter(site, request, signed, "")


@router.get("/staff/")
def first_page(here: Annotated[Here, acts()]) -> Response:
    """Go to the page that the person's work begins with."""
    return go(_first_page_of(here.who))


@router.get(GO_ON)
def go_on(here: Annotated[Here, acts()]) -> Response:
    """Offer to send what was typed when a sign-in ran out."""
    with here.reading() as session:
        kept = signing_in.form_kept_for(session, here.who, here.site.clock.now())
    if kept is None or not is_ours(kept[0]):
        return go(_first_page_of(here.who))
    return here.show("go_on.html", path=kept[0], fields=kept[1])


@router.post("/staff/forget")
def forget(here: Annotated[Here, acts(keeps=False)]) -> Response:
    """Throw away what was typed."""
    with here.writing() as session:
        rows.forget_form(session, here.who.staff_id)
    return go(_first_page_of(here.who))


@router.post("/staff/sign-out")
async def sign_out(request: Request, form: TheForm) -> Response:
    """End the sign-in; nobody is refused that."""
    site = site_of(request)
    who = await run_in_threadpool(signed_in_quietly, site, request.cookies)
    if who is not None and signing_in.is_form_of(who, form.text("csrf")):
        await run_in_threadpool(_end, site, who)
    answer = go("/staff/sign-in")
    answer.delete_cookie(cookie_name(site), path="/", secure=site.web.is_encrypted, httponly=True)
    return answer


def _welcome(request: Request, site: Site, token: str, typed: Newcomer, *, problems: Sequence[str] = ()) -> Response:
    with site.database.reading() as session:
        member = staff.invited(session, site.desk, token)
        who = {"name": member.name, "login": member.login} if member else {"name": typed.name, "login": typed.login}
    shown = {"first": member is None, "roles": tuple(Role), "chosen": typed.roles, "problems": problems}
    return show_anonymous(request, "welcome.html", status=400 if problems else 200, who=who, **shown)


def _end(site: Site, who: SignedIn) -> None:
    with site.database.writing(by=Who("staff", str(who.staff_id))) as session:
        signing_in.sign_out(session, site.desk, who)


def _enter(site: Site, request: Request, token: str, then: str) -> Response:
    """Give the browser its new sign-in, end the one it had, and go on."""
    earlier = signed_in_quietly(site, request.cookies)
    if earlier is not None:
        _end(site, earlier)
    with site.database.reading() as session:
        who = signing_in.signed_in(session, token, site.clock.now(), limits_of(site))
        kept = who and signing_in.form_kept_for(session, who, site.clock.now())
    answer = go(GO_ON if kept else then or "/staff/")
    set_cookie(answer, site, cookie_name(site), token)
    return answer


def _first_page_of(who: SignedIn) -> str:
    return next((page for right, page in _FIRST_PAGES if who.may(right)), "/staff/account")
