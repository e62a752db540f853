"""Answers made small on the wire, where that gives nothing away.

gzip tells by the length of an answer whether something in it repeats. A page holds the token of the session's forms, and what an
address asks for stands in it too; so somebody on the way who can have a browser ask for addresses of ours could guess the one by
the other, letter by letter. So what a page of another site had asked for is sent as it is, and so is what comes with a cookie from a
browser that does not say who asked. Live streams are never held up for it.

Sources: Gluck, Harris & Prado, "BREACH: reviving the CRIME attack" (2013, from memory); Fetch Metadata Request Headers, W3C.
"""

from starlette.datastructures import Headers
from starlette.middleware.gzip import GZipMiddleware
from starlette.types import ASGIApp, Receive, Scope, Send

LEAST_BYTES = 1000  # below, it costs more than it saves
LEVEL = 5  # of 9: a page of a thousand drives in half the time of 9, a few per cent longer
_OURS = frozenset({"same-origin", "none"})  # asked for by a page of ours, or by a person


class Squeeze:
    """ASGI middleware: gzip (RFC 1952) for who takes it."""

    def __init__(self, app: ASGIApp) -> None:
        self._plain = app
        self._small = GZipMiddleware(app, minimum_size=LEAST_BYTES, compresslevel=LEVEL)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve, small or as it is."""
        is_small = scope["type"] == "http" and may_be_small(Headers(scope=scope))
        await (self._small if is_small else self._plain)(scope, receive, send)


def may_be_small(headers: Headers) -> bool:
    """Return whether the length of an answer tells nobody anything."""
    asked_by = headers.get("sec-fetch-site")
    return asked_by in _OURS if asked_by is not None else "cookie" not in headers
