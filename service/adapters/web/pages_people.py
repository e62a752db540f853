"""Pages to come in by and to let others in: sign in and out, password, people, tokens, the audit log.

A page that shows a one-time password or the text of a token is the answer to the form that made it; it is not stored and
cannot be called again. Whoever is refused is told the same whatever was wrong.
"""

from collections.abc import Mapping
from functools import partial
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from service.adapters.web.access import WALL_PART, Logins, give_cookie, session_secret, take_cookie
from service.adapters.web.alert_words import EVENTS, TITLES
from service.adapters.web.allowed import LOGINS_ON, guarded_routes, needs
from service.adapters.web.api_people import admit_of, slowly
from service.adapters.web.audit_view import page_of
from service.adapters.web.caller import address_of, caller_of, caller_or_none
from service.adapters.web.pages_forms import Collected, TypedDep, Wrong
from service.adapters.web.parts import Parts, PartsDep, WhoDep
from service.adapters.web.templating import render
from service.core.people import PASSWORD_CHARS_MIN, Role, role_of
from service.ports import ConflictError
from service.sign_in import MustWaitError, NotSignedInError

router = APIRouter()
open_router = APIRouter()  # for who is not known yet

CHANGES = [needs(Role.ADMINISTRATOR), LOGINS_ON]
TOKEN_DAYS = 365
API = "/api/v1/"


# Coming in


@open_router.get("/sign-in", response_class=HTMLResponse)
def sign_in_page(request: Request, parts: PartsDep) -> Response:
    """A form for name and password."""
    if parts.logins is None or caller_or_none(request) is not None:
        return RedirectResponse("/", 303)
    return _sign_in_page(request, request.query_params.get("next", ""))


@open_router.post("/sign-in", response_class=HTMLResponse)
async def sign_in(request: Request, parts: PartsDep) -> Response:
    """Open a session, or say that it was not right."""
    logins = _logins(parts)
    form = await request.form()
    name, password, asked = (str(form.get(field, "")) for field in ("name", "password", "next"))
    now_ns = parts.now_ns()
    call = partial(logins.sign_in.sign_in, name[:200], password, address=address_of(request), at_ns=now_ns)
    try:
        signed = await slowly(parts, call)
    except (NotSignedInError, MustWaitError) as error:
        return _sign_in_page(request, asked, error)
    if before := session_secret(request):
        logins.sign_in.sign_out(before)
    answer = RedirectResponse("/password" if signed.person.must_change else local_path(asked), 303)
    give_cookie(request, answer, signed, now_ns)
    return answer


def _sign_in_page(
    request: Request, asked: str, error: NotSignedInError | MustWaitError | None = None
) -> HTMLResponse:
    status = 200 if error is None else 429 if isinstance(error, MustWaitError) else 403
    values = {"wrong": str(error) if error else "", "next": local_path(asked), "waits": status == 429}
    page = render(request, "sign_in.html", values, status=status)
    if isinstance(error, MustWaitError):
        page.headers["Retry-After"] = str(error.wait_s)
    return page


def local_path(asked: str) -> str:
    """Return a path of ours to go to, the board where what was asked for is none: never another site."""
    is_ours = asked.startswith("/") and not asked.startswith(("//", "/\\")) and asked.isprintable()
    return asked if is_ours and len(asked) <= 2000 and not asked.startswith("/sign-") else "/"


@router.post("/sign-out", response_class=HTMLResponse)
def sign_out(request: Request, parts: PartsDep) -> Response:
    """End the session."""
    if secret := caller_of(request).secret:
        _logins(parts).sign_in.sign_out(secret)
    answer = RedirectResponse("/sign-in", 303)
    take_cookie(request, answer)
    return answer


@router.get("/password", response_class=HTMLResponse)
def password_page(request: Request) -> Response:
    """A form for another password."""
    return _password_page(request, Wrong())


@router.post("/password", response_class=HTMLResponse)
async def change_password(request: Request, parts: PartsDep) -> Response:
    """Take another password."""
    logins, caller = _logins(parts), caller_of(request)
    if caller.person is None:
        raise ConflictError("only who signed in has a password")
    form = await request.form()
    old, new, again = (str(form.get(field, "")) for field in ("old", "new", "again"))
    wrong = Wrong()
    if new != again:
        wrong.fields["again"] = "the two are not the same: type the new one again"
    else:
        change = partial(
            logins.sign_in.change_password,
            caller.name,
            old,
            new,
            secret=caller.secret,
            address=address_of(request),
            at_ns=parts.now_ns(),
        )
        try:
            with Collected(wrong, {}):
                await slowly(parts, change)
        except NotSignedInError:
            wrong.fields["old"] = "this is not your password"
        except MustWaitError as error:
            wrong.above = str(error)
    return _password_page(request, wrong) if wrong else RedirectResponse("/", 303)


def _password_page(request: Request, wrong: Wrong) -> HTMLResponse:
    person = caller_of(request).person
    values = {"wrong": wrong, "person": person, "chars_min": PASSWORD_CHARS_MIN}
    return render(request, "password.html", values, status=422 if wrong else 200)


# Letting in


@router.get("/people", response_class=HTMLResponse, dependencies=[needs(Role.ADMINISTRATOR)])
def people_page(request: Request, parts: PartsDep) -> HTMLResponse:
    """All who may sign in."""
    return _people_page(request, parts)


@router.post("/people", response_class=HTMLResponse, dependencies=CHANGES)
async def add_person(request: Request, parts: PartsDep, by: WhoDep, typed: TypedDep) -> HTMLResponse:
    """Let somebody in."""
    wrong = Wrong()
    with Collected(wrong, {}):
        call = partial(
            admit_of(parts).add_person,
            typed.get("name", "").strip(),
            role_of(typed.get("role", "")),
            full_name=typed.get("full_name", "").strip(),
            at_ns=parts.now_ns(),
            by=by,
        )
        admitted = await slowly(parts, call)
        return _people_page(request, parts, fresh=(admitted.person.name, admitted.password))
    return _people_page(request, parts, typed, wrong)


@router.post("/people/{name}/{act}", response_class=HTMLResponse, dependencies=CHANGES)
async def change_person(
    request: Request, parts: PartsDep, by: WhoDep, name: str, act: str, typed: TypedDep
) -> Response:
    """Give a person another role, lock, unlock, or give a new password."""
    admit, wrong = admit_of(parts), Wrong()
    said: dict[str, Any] = {"why": typed.get("why", "").strip()[:2000], "at_ns": parts.now_ns(), "by": by}
    with Collected(wrong, {}):
        if act == "reset":
            admitted = await slowly(parts, partial(admit.reset, name, **said))
            return _people_page(request, parts, fresh=(name, admitted.password))
        if act == "role":
            admit.change_role(name, role_of(typed.get("role", "")), **said)
        elif act == "lock":
            admit.lock(name, **said)
        elif act == "unlock":
            admit.unlock(name, **said)
        else:
            raise ConflictError(f"nothing is called {act!r}: use the buttons of the page")
        return RedirectResponse("/people", 303)
    wrong.above = wrong.above or "; ".join(wrong.fields.values())
    return _people_page(request, parts, {}, wrong)


def _people_page(
    request: Request,
    parts: Parts,
    typed: Mapping[str, str] | None = None,
    wrong: Wrong | None = None,
    fresh: tuple[str, str] | None = None,
) -> HTMLResponse:
    values = {
        "people": parts.people.people(),
        "roles": list(Role),
        "typed": typed or {},
        "wrong": wrong or Wrong(),
        "fresh": fresh,
        "logins_on": parts.logins is not None,
    }
    return render(request, "people.html", values, status=422 if wrong else 200)


@router.get("/tokens", response_class=HTMLResponse, dependencies=[needs(Role.ADMINISTRATOR)])
def tokens_page(request: Request, parts: PartsDep) -> HTMLResponse:
    """All tokens."""
    return _tokens_page(request, parts)


@router.post("/tokens", response_class=HTMLResponse, dependencies=CHANGES)
async def add_token(request: Request, parts: PartsDep, by: WhoDep, typed: TypedDep) -> HTMLResponse:
    """Make a token."""
    only = [text for text in (await request.form()).getlist("only") if isinstance(text, str)]
    wrong = Wrong()
    days = typed.get("days", "")
    if not (days.isascii() and days.isdigit() and len(days) < 6):
        wrong.fields["days"] = "give a whole number of days"
        return _tokens_page(request, parts, typed, wrong)
    with Collected(wrong, {"expires": "days"}):
        issued = admit_of(parts).add_token(
            typed.get("name", "").strip(),
            role_of(typed.get("role", "")),
            only=only,
            days=int(days),
            at_ns=parts.now_ns(),
            by=by,
        )
        return _tokens_page(request, parts, fresh=(issued.token.name, issued.text))
    return _tokens_page(request, parts, typed, wrong)


@router.post("/tokens/{name}/revoke", response_class=HTMLResponse, dependencies=CHANGES)
def revoke_token(parts: PartsDep, by: WhoDep, name: str, typed: TypedDep) -> Response:
    """Let a token count no more."""
    admit_of(parts).revoke_token(name, why=typed.get("why", "").strip()[:2000], at_ns=parts.now_ns(), by=by)
    return RedirectResponse("/tokens", 303)


def _tokens_page(
    request: Request,
    parts: Parts,
    typed: Mapping[str, str] | None = None,
    wrong: Wrong | None = None,
    fresh: tuple[str, str] | None = None,
) -> HTMLResponse:
    routes = guarded_routes(request.app)
    found = {route.path.removeprefix(API).partition("/")[0] for route in routes if route.path.startswith(API)}
    values = {
        "tokens": parts.tokens.tokens(),
        "roles": [role for role in Role if role is not Role.ADMINISTRATOR],
        "api_parts": sorted(found - {"me", "health", "people", "tokens"} | {WALL_PART}),
        "typed": typed or {"days": str(TOKEN_DAYS)},
        "wrong": wrong or Wrong(),
        "fresh": fresh,
        "logins_on": parts.logins is not None,
    }
    return render(request, "tokens.html", values, status=422 if wrong else 200)


# What was changed


@router.get("/audit", response_class=HTMLResponse, dependencies=[needs(Role.ENGINEER)])
def audit_page(
    request: Request, parts: PartsDep, before: int | None = None, subject: str = "", by: str = ""
) -> HTMLResponse:
    """What people changed, and how they answered alerts, the newest first."""
    values = {
        "page": page_of(parts.audit_log, parts.alert_log, before=before, subject=subject[:300], by=by[:300]),
        "events": EVENTS,
        "titles": TITLES,
        "subject": subject,
        "by": by,
        "paged": before is not None,
    }
    return render(request, "audit.html", values)


def _logins(parts: Parts) -> Logins:
    if parts.logins is None:
        raise ConflictError(
            'logins are off, so that nobody needs to sign in: set web.login = "on" to have them'
        )
    return parts.logins
