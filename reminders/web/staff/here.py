"""Knows who is signed in, what they may do, and leaves a trail of it: every page of staff passes here."""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import Depends, HTTPException, Path, Request
from fastapi.responses import HTMLResponse, Response
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool

from reminders.desk import signing_in
from reminders.desk.composing import Desk
from reminders.desk.roles import Right
from reminders.desk.signing_in import Limits, SignedIn
from reminders.desk.trail import Action, Look, note_attempt, note_looks
from reminders.records import staff
from reminders.records.audit import REFUSED, Who
from reminders.records.columns import LARGEST_NUMBER
from reminders.web.forms import Form, form_of, go, is_from_here, refuse_other_sites
from reminders.web.site import Site, site_of

SIGN_IN = "/staff/sign-in"
GO_ON = "/staff/go-on"
_ANONYMOUS = "form"
_WAS_KEPT = "kept"
"""A field of a form that was kept and is sent now."""
Number = Annotated[int, Path(ge=1, le=LARGEST_NUMBER)]
"""Of a row, in an address."""


class ElsewhereFirst(Exception):
    """The person has to go to another page before this one; or stay where they are, when it names none."""

    def __init__(self, to: str) -> None:
        super().__init__()
        self.to = to


class RanOut(Exception):
    """The sign-in of a page ran out, and its script asked for a part: the page stays, with what was typed there."""


@dataclass(frozen=True, kw_only=True)
class Here:
    """A request of somebody who is signed in and may make it."""

    site: Site
    request: Request
    who: SignedIn
    form: Form
    action: Action | None
    """What it is called in the audit trail when this page shows something; None: it shows nothing of patients."""

    @property
    def desk(self) -> Desk:
        """Where staff act."""
        return self.site.desk

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """Give a session that reads."""
        with self.site.database.reading() as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """Give a session that writes; what the desk notes of the change is the person's."""
        with self.site.database.writing(by=as_staff(self.who)) as session:
            yield session

    def trail(self, *looks: Look) -> None:
        """Note whom this page is about to show something of: `(7, "concern 3")`; the one place where that is done."""
        if self.action is None:
            raise RuntimeError(f"{self.request.url.path} shows patients and has no action")
        note_looks(self.site.database, self.desk, self.action, looks, by=as_staff(self.who))

    def trail_list(self, looks: Iterable[Look]) -> None:
        """Note the same of a list that a page refreshes by itself, or shows beside: each one once an hour."""
        self.trail(*self.site.shown_lately.new(self.who.token_hash, looks, self.desk.clock.now()))

    def show(self, name: str, *, status: int = 200, **values: Any) -> HTMLResponse:
        """Return a page of staff."""
        known = {"who": self.who, "csrf": self.who.csrf, "zone": self.desk.zone, "now": self.desk.clock.now()}
        place = self.request.url.path
        return self.site.pages.show(f"staff/{name}", status=status, **{**known, "place": place, **values})

    @property
    def is_partial(self) -> bool:
        """Whether a script asks for a part of a page that is open already."""
        return "hx-request" in self.request.headers


def acts(
    action: Action | None = None, right: Right | None = None, *, passive: bool = False, keeps: bool = True
) -> Callable[..., Any]:
    """Return the dependency that every page of staff has: signed in, with the right, a form of ours, a trail.

    `passive` is what a page does by itself, as does one whose address says `again`: it keeps no sign-in awake.
    `keeps` says that a form is kept when its sign-in ran out, and shown again then: no password may be. So is one
    of ours from before somebody signed in anew on another page, as its token is another one.
    """

    async def here(request: Request, form: Form = Depends(form_of)) -> Here:  # noqa: B008  FastAPI's way
        site = site_of(request)
        who = await run_in_threadpool(_who, site, request)
        if who is None:
            raise ElsewhereFirst(_sign_in_for(request))
        is_earlier = request.method == "POST" and not signing_in.is_form_of(who, form.text("csrf"))
        if is_earlier and not (keeps and is_from_here(request)):
            raise HTTPException(403)
        refuse_other_sites(request)
        if who.is_idle and passive:
            raise ElsewhereFirst("")
        if who.is_idle or is_earlier:
            if request.method == "POST" and "hx-request" in request.headers:
                raise RanOut
            if keeps:
                await run_in_threadpool(_keep, site, request, who, form)
            raise ElsewhereFirst(_sign_in_for(request) if who.is_idle else GO_ON)
        if right is not None and not who.may(right):
            await run_in_threadpool(_note_refused, site, who, request)
            raise HTTPException(403)
        if _WAS_KEPT in form:
            await run_in_threadpool(_forget, site, who)
        if not passive and "again" not in request.query_params:
            await run_in_threadpool(signing_in.note_presence, site.database, who, site.clock.now())
        return Here(site=site, request=request, who=who, form=form, action=action)

    depends: Callable[..., Any] = Depends(here)
    here.__dict__.update(right=right)
    return depends


def as_staff(who: SignedIn) -> Who:
    """Return how the audit trail names somebody who is signed in."""
    return Who("staff", str(who.staff_id))


def limits_of(site: Site) -> Limits:
    """Return how long a sign-in lasts."""
    return Limits(idle=timedelta(minutes=site.web.idle_minutes), longest=timedelta(hours=site.web.session_hours))


def cookie_name(site: Site) -> str:
    """Return the cookie's name; with the prefix no other host of the domain can set it (RFC 6265bis section 4.1.3)."""
    return "__Host-staff" if site.web.is_encrypted else "staff"


def set_cookie(answer: Response, site: Site, name: str, value: str) -> None:
    """Set a cookie that scripts can't read and other sites' forms don't bring; it ends with the browser."""
    answer.set_cookie(name, value, httponly=True, samesite="lax", secure=site.web.is_encrypted, path="/")


def anonymous_token(request: Request) -> str:
    """Return what a form carries before anybody is signed in; the same stands in a cookie."""
    found = request.cookies.get(_ANONYMOUS, "")
    return found if len(found) >= 32 else secrets.token_urlsafe(24)


def show_anonymous(request: Request, name: str, *, status: int = 200, **values: Any) -> HTMLResponse:
    """Return a page for somebody who is not signed in, with the cookie that its form needs."""
    site, token = site_of(request), anonymous_token(request)
    answer = site.pages.show(f"staff/{name}", status=status, csrf=token, **values)
    set_cookie(answer, site, _ANONYMOUS, token)
    return answer


def check_anonymous(request: Request, form: Form) -> None:
    """Refuse a form that no page of ours gave to this browser."""
    cookie = request.cookies.get(_ANONYMOUS, "")
    if not cookie or not hmac.compare_digest(cookie.encode(), form.text("csrf").encode()):
        raise HTTPException(403)
    refuse_other_sites(request)


def is_ours(path: str) -> bool:
    """Say whether a path leads to a page of staff, and nowhere else."""
    return path.startswith("/staff/") and "//" not in path and "\\" not in path and path.isprintable()


def elsewhere_first(request: Request, error: Exception) -> Response:
    """Send the person on; a script that asked for a part lets the whole page go, or leaves it when there is nowhere."""
    to = error.to if isinstance(error, ElsewhereFirst) else SIGN_IN
    if not to:
        return Response(status_code=204)
    if "hx-request" in request.headers:
        return Response(status_code=200, headers={"HX-Redirect": to})
    return go(to)


def ran_out(request: Request, _error: Exception) -> Response:
    """Return what stands in place of the part."""
    return site_of(request).pages.show("staff/ran_out.html")


def signed_in_quietly(site: Site, cookies: Mapping[str, str]) -> SignedIn | None:
    """Return whose sign-in this browser has, idle or not; None when it has none."""
    token = cookies.get(cookie_name(site), "")
    if not token:
        return None
    with site.database.reading() as session:
        return signing_in.signed_in(session, token, site.clock.now(), limits_of(site))


def _who(site: Site, request: Request) -> SignedIn | None:
    return signed_in_quietly(site, request.cookies)


def _note_refused(site: Site, who: SignedIn, request: Request) -> None:
    about = f"{request.method} {request.scope['route'].path}"
    with site.database.writing(by=as_staff(who)) as session:
        note_attempt(session, site.desk, Action.PAGE_REFUSED, outcome=REFUSED, whose=(None, about))


def _sign_in_for(request: Request) -> str:
    path = request.url.path
    if request.method != "GET" or "hx-request" in request.headers:
        return SIGN_IN
    return f"{SIGN_IN}?next={quote(path)}" if is_ours(path) else SIGN_IN


def _keep(site: Site, request: Request, who: SignedIn, form: Form) -> None:
    if request.method != "POST":
        return
    with site.database.writing() as session:
        fields = [each for each in form.fields if each[0] != _WAS_KEPT]
        signing_in.keep_form(session, who, request.url.path, fields, site.clock.now())


def _forget(site: Site, who: SignedIn) -> None:
    with site.database.writing() as session:
        staff.forget_form(session, who.staff_id)
