"""Who asks, found before any route: by the cookie of a session or by the token of a program; and where nobody is known, no.

Knows cookies, headers and the door `sign_in`; must not know what a route needs (`allowed` does). Where logins are off, everybody
who reaches this machine's own address is administrator, under the name of that address.

The cookie is of no use to a script (HttpOnly), to another name or path (`__Host-` where there is TLS), or over plain HTTP
(Secure where there is TLS). SameSite is Lax, not Strict: a link in an e-mail of ours must open the page. What other sites
could do with Lax is to have a page shown, and no page changes anything by being shown.

Long answers (live streams) end when the session or the token does. Source: RFC 6265bis, 4.1.3; RFC 6750, 3 (from memory).
"""

import base64
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from urllib.parse import quote

from anyio import CapacityLimiter
from fastapi.responses import JSONResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.adapters.web.allowed import OPEN, OPEN_BELOW, SAFE_METHODS
from service.adapters.web.caller import Caller, address_of
from service.adapters.web.problems import of_exception, problem, wants_page
from service.admit import Admit
from service.core.people import Role, Token
from service.ports import StoreUnavailableError
from service.sign_in import SignedIn, SignIn

API = "/api/v1/"
COOKIE, SECURE_COOKIE = "linklag", "__Host-linklag"
LOOK_AGAIN_S = 20.0  # whether a live stream may go on is asked no more often
SLOW_AT_ONCE = 2  # passwords that are checked at once: each takes 64 MiB and a core
# Where somebody may go whose password was given by somebody else.
BEFORE_OWN_PASSWORD = frozenset({"/password", "/sign-out", "/api/v1/me"})
FOR_PROGRAMS = ("/metrics", "/health/")
# A calendar program knows no bearer tokens: there, and nowhere else, a token counts as the password of HTTP Basic too. The
# secret stays in a header, and out of the address, which logs and histories keep.
CALENDAR = f"{API}changes.ics"
BASIC_CHARS_MAX = 1000
# A screen on a wall keeps a token in a cookie of its own, which browsers send to the wall alone and which counts there alone.
WALL = "/wall"
WALL_PART = "wall"  # a token for nothing else
WALL_COOKIE, SECURE_WALL_COOKIE = "linklag-wall", "__Secure-linklag-wall"


@dataclass(frozen=True, slots=True, kw_only=True)
class Logins:
    """The doors for who comes in, and how many may have their password checked at once."""

    sign_in: SignIn
    admit: Admit
    https_only: bool = False
    slowly: CapacityLimiter = field(default_factory=lambda: CapacityLimiter(SLOW_AT_ONCE))


class StreamEndedError(OSError):
    """The session or the token of a live stream is over. As if the client had gone."""


class Access:
    """ASGI middleware between the guard and the app."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        logins: Logins | None,
        page: Callable[[Request, JSONResponse], Response],
        now_ns: Callable[[], int],
    ) -> None:
        self._app, self._logins, self._page, self._now_ns = app, logins, page, now_ns

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Say who asks, and serve; or refuse."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        state = scope.setdefault("state", {})
        if self._logins is None:
            state["caller"] = Caller(name=f"web {address_of(request)}", role=Role.ADMINISTRATOR)
            await self._app(scope, receive, send)
            return
        answer = await self._answer(request, self._logins)
        if answer is not None:
            await answer(scope, receive, send)
            return
        caller: Caller | None = state.get("caller")
        again = send if caller is None else self._while_known(caller, request, self._logins, send)
        await self._app(scope, receive, again)

    async def _answer(self, request: Request, logins: Logins) -> Response | None:
        """Find who asks; return what is answered in place of the app, None where it shall answer."""
        path = request.url.path
        if (
            logins.https_only
            and request.url.scheme != "https"
            and path not in {"/health/live", f"{API}health/live"}
        ):
            return self._told(
                request,
                problem(
                    403,
                    "ask with https: this page takes passwords. Behind a proxy, have it take https and send "
                    "X-Forwarded-Proto, and name its address in web.proxy_addresses",
                    path,
                ),
            )
        if path.startswith(OPEN_BELOW):
            return None
        try:
            caller = await run_in_threadpool(found_caller, request, logins.sign_in, self._now_ns())
        except StoreUnavailableError as error:
            return None if path in OPEN else self._told(request, of_exception(error, path))
        if caller is not None:
            request.state.caller = caller
        if path in OPEN:
            return None
        if caller is None:
            return self._ask_to_sign_in(request)
        return self._kept_out(request, caller)

    def _ask_to_sign_in(self, request: Request) -> Response:
        path = request.url.path
        if wants_page(request) and request.method in SAFE_METHODS:
            if path == WALL:
                return RedirectResponse(f"{WALL}/key", 303)
            asked = path + (f"?{request.url.query}" if request.url.query else "")
            return RedirectResponse("/sign-in" if asked == "/" else f"/sign-in?next={quote(asked)}", 303)
        detail = (
            "sign in first. If this was a form: sign in at /sign-in in another tab, come back and send it again; nothing "
            "was changed"
            if wants_page(request)
            else "show a token: Authorization: Bearer linklag_...; an administrator makes one under Tokens, or with linklag "
            "token add. It must not be expired or revoked"
        )
        scheme = "Basic" if path == CALENDAR else "Bearer"
        headers = {"WWW-Authenticate": f'{scheme} realm="linklag"'}
        return self._told(request, problem(401, detail, path, headers=headers))

    def _kept_out(self, request: Request, caller: Caller) -> Response | None:
        """Return what is answered to somebody who is known and may not go there, whatever their role."""
        path = request.url.path
        if caller.person is not None and caller.person.must_change and path not in BEFORE_OWN_PASSWORD:
            if wants_page(request):
                return RedirectResponse("/password", 303)
            return problem(403, "choose a password of your own first, at /password", path)
        if caller.token is None or path.startswith(FOR_PROGRAMS) or _is_screen(path, caller.token):
            return None
        part = path.removeprefix(API).partition("/")[0] if path.startswith(API) else ""
        part = part.removesuffix(".ics").removesuffix(".csv")
        if not part:
            return problem(403, "a token is for the API: ask below /api/v1/", path)
        if part not in {"me", "health", "openapi.json"} and not caller.token.may_use(part):
            only = ", ".join(caller.token.only)
            return problem(403, f"this token may use {only} only: ask there, or with another token", path)
        return None

    def _told(self, request: Request, answer: JSONResponse) -> Response:
        return self._page(request, answer) if wants_page(request) else answer

    def _while_known(self, caller: Caller, request: Request, logins: Logins, send: Send) -> Send:
        """Return a `send` that ends an answer which goes on for long once its session or token is over."""
        looked_s = time.monotonic()

        async def checked(message: Message) -> None:
            nonlocal looked_s
            if message.get("more_body", False) and time.monotonic() - looked_s >= LOOK_AGAIN_S:
                looked_s = time.monotonic()
                try:
                    now = await run_in_threadpool(found_caller, request, logins.sign_in, self._now_ns())
                except StoreUnavailableError:
                    now = caller  # the stream itself says that the store is away
                if now is None or now.name != caller.name:
                    await send({"type": "http.response.body", "body": b"", "more_body": False})
                    raise StreamEndedError
            await send(message)

        return checked


def found_caller(request: Request, door: SignIn, at_ns: int) -> Caller | None:
    """Return who asks, by token or else by session; None where nobody is known."""
    text = bearer(request.headers)
    if text is None and request.url.path == CALENDAR and request.method in SAFE_METHODS:
        text = basic_password(request.headers)
    if text is not None:
        token = door.by_token(text, at_ns)
        return None if token is None else Caller(name=f"token {token.name}", role=token.role, token=token)
    secret = session_secret(request)
    found = door.by_session(secret, at_ns) if secret else None
    if found is None:
        return _screen(request, door, at_ns) if request.url.path == WALL else None
    person = found[1]
    return Caller(name=person.name, role=person.role, person=person, secret=secret)


def _screen(request: Request, door: SignIn, at_ns: int) -> Caller | None:
    """Return the screen that shows the wall, by the token in its cookie; None without a good one for just that."""
    token = door.by_token(request.cookies.get(wall_cookie_name(request), ""), at_ns)
    if token is None or not is_for_wall(token):
        return None
    return Caller(name=f"token {token.name}", role=token.role, token=token)


def _is_screen(path: str, token: Token) -> bool:
    return path == WALL and is_for_wall(token)


def is_for_wall(token: Token) -> bool:
    """Whether a token shows the wall and nothing else."""
    return token.role is Role.VIEWER and token.only == (WALL_PART,)


def bearer(headers: Headers) -> str | None:
    """Return the token that a program shows, None where it shows none."""
    scheme, _, text = headers.get("authorization", "").partition(" ")
    return text.strip() if scheme.lower() == "bearer" else None


def basic_password(headers: Headers) -> str | None:
    """Return the password that a program shows by HTTP Basic, None where it shows none (RFC 7617, 2, from memory)."""
    scheme, _, text = headers.get("authorization", "").partition(" ")
    if scheme.lower() != "basic" or len(text) > BASIC_CHARS_MAX:
        return None
    try:
        name, colon, password = base64.b64decode(text.strip(), validate=True).decode().partition(":")
    except ValueError:
        return None
    del name
    return password if colon else None


def session_secret(request: Request) -> str:
    """Return what the session's cookie holds, "" without one."""
    return request.cookies.get(cookie_name(request), "")


def cookie_name(request: Request) -> str:
    """Return the name of the session's cookie: with TLS one that no other host, and no plain page, can set."""
    return SECURE_COOKIE if request.url.scheme == "https" else COOKIE


def give_cookie(request: Request, answer: Response, signed: SignedIn, at_ns: int) -> None:
    """Have the browser remember a session until it ends."""
    answer.set_cookie(
        cookie_name(request),
        signed.secret,
        max_age=(signed.session.ends_ns - at_ns) // 1_000_000_000,
        path="/",
        secure=request.url.scheme == "https",
        httponly=True,
        samesite="lax",
    )


def wall_cookie_name(request: Request) -> str:
    """Return the name of a screen's cookie. `__Host-` would need the path to be everything."""
    return SECURE_WALL_COOKIE if request.url.scheme == "https" else WALL_COOKIE


def give_wall_cookie(request: Request, answer: Response, text: str, age_s: int) -> None:
    """Have the browser of a screen remember its token until that ends, and show it to the wall alone."""
    answer.set_cookie(
        wall_cookie_name(request),
        text,
        max_age=age_s,
        path=WALL,
        secure=request.url.scheme == "https",
        httponly=True,
        samesite="strict",
    )


def take_cookie(request: Request, answer: Response) -> None:
    """Have the browser forget the session."""
    answer.delete_cookie(
        cookie_name(request), path="/", secure=request.url.scheme == "https", httponly=True, samesite="lax"
    )
