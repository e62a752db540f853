"""In which language a page is given: what the reader chose (a cookie), else what the browser asks for, else the setting.

Only pages are: API, streams, metrics and files are for programs and speak English.
"""

from urllib.parse import parse_qs, urlencode, urlsplit

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.adapters.web.pages_people import local_path
from service.adapters.web.texts import COOKIE, COOKIE_S, KEPT, chosen, languages, speak

router = APIRouter()
FOR_PROGRAMS = ("/api/", "/static/", "/health", "/metrics")


class Spoken:
    """ASGI middleware: while a page is made, its language is spoken."""

    def __init__(self, app: ASGIApp, *, default: str) -> None:
        self._app = app
        self._default = default

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Choose the language of a page, and say on the answer which it was and what it went by."""
        if scope["type"] != "http" or scope["path"].startswith(FOR_PROGRAMS):
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        cookie = cookie_parser(headers.get("cookie", "")).get(COOKIE, "")

        async def send_with_language(message: Message) -> None:
            if message["type"] == "http.response.start":
                answer = MutableHeaders(scope=message)
                if answer.get("content-type", "").startswith("text/html"):
                    answer["content-language"] = scope[KEPT]
                    answer.add_vary_header("Accept-Language, Cookie")
            await send(message)

        scope[KEPT] = chosen(cookie, headers.get("accept-language", ""), self._default)
        with speak(scope[KEPT]):
            await self._app(scope, receive, send_with_language)


@router.get("/language")
def choose_language(request: Request) -> Response:
    """Keep the language that the reader chose, and go back to the page on which it was chosen."""
    asked = request.query_params
    answer = RedirectResponse(_page_of(asked.get("back", "/")), 303)
    if asked.get("to") in languages():
        answer.set_cookie(
            COOKIE,
            asked["to"],
            max_age=COOKIE_S,
            path="/",
            secure=request.url.scheme == "https",
            httponly=True,
            samesite="lax",
        )
    return answer


def _page_of(back: str) -> str:
    """Return the page on which a language was chosen; on the one to sign in with the page that comes after it."""
    if not back.startswith("/sign-in?"):
        return local_path(back)
    after = parse_qs(urlsplit(back).query).get("next", ["/"])
    return f"/sign-in?{urlencode({'next': local_path(after[0])})}"
