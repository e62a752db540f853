"""What every request passes before any route, and every answer after: hosts, origins, sizes, headers.

Who asks is found behind it (`access`). Two ways would let a stranger's web page reach ours through a visitor's
browser, with what that browser may do, and both are closed here:
a name of theirs that resolves to 127.0.0.1 (DNS rebinding: the Host header gives it away), and forms or
scripts that post to us from another site (Origin and Sec-Fetch-Site give it away). No CORS header is ever
sent, so other sites cannot read answers.

Sources: RFC 9110, 7.2 (Host) and 15.5.20 (421); Fetch Metadata Request Headers, W3C; RFC 6454, 7 (Origin).
"""

from collections.abc import Iterable, Mapping
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.adapters.web.problems import problem

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})

CONTENT_SECURITY_POLICY = (
    b"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    b"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
SECURITY_HEADERS = (
    (b"content-security-policy", CONTENT_SECURITY_POLICY),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"same-origin"),  # no-referrer would turn the Origin of our own forms into "null"
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), geolocation=(), microphone=(), payment=(), usb=()"),
)


class Guard:
    """ASGI middleware around the whole app."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        allowed_hosts: Iterable[str],
        body_bytes_max: int,
        larger: Mapping[str, int] | None = None,
    ) -> None:
        """larger: bytes of a body that may be longer than `body_bytes_max`, by its path."""
        self._app = app
        self._hosts = frozenset(host.lower() for host in allowed_hosts)
        self._body_bytes_max, self._larger = body_bytes_max, dict(larger or {})

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse what must not come in; else serve it, and put the headers on the answer."""
        if scope["type"] != "http":
            if scope["type"] == "websocket":
                await send({"type": "websocket.close", "code": 1008})
                return
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = _with_security(message.get("headers", []))
            await send(message)

        refused = self._refusal(scope, Headers(scope=scope))
        if refused is None and scope["method"] not in SAFE_METHODS:
            body = await self._body(receive, self._most(scope))
            if body is None:
                refused = 413, self._too_large(scope)
            else:
                receive = _replayed(body, receive)
        if refused is not None:
            status, detail = refused
            await problem(status, detail, scope["path"])(scope, receive, send_with_headers)
            return
        await self._app(scope, receive, send_with_headers)

    def _refusal(self, scope: Scope, headers: Headers) -> tuple[int, str] | None:
        hosts = headers.getlist("host")
        if len(hosts) != 1 or host_name(hosts[0]) not in self._hosts:
            named = hosts[0][:100] if hosts else "no host"
            return 421, (
                f"this service is not to be asked for under {named!r}: use one of {', '.join(sorted(self._hosts))}, or "
                "let its owner add the name to web.allowed_hosts"
            )
        if scope["method"] not in SAFE_METHODS and not _same_site(headers, hosts[0]):
            return 403, "a change must come from linklag's own pages or from a program, not from another site"
        length = headers.get("content-length", "0")
        if not length.isascii() or not length.isdigit() or int(length) > self._most(scope):
            return 413, self._too_large(scope)
        return None

    def _most(self, scope: Scope) -> int:
        return max(self._body_bytes_max, self._larger.get(scope["path"], 0))

    def _too_large(self, scope: Scope) -> str:
        return f"the body is over {self._most(scope)} bytes, which is the most that is taken at once"

    async def _body(self, receive: Receive, bytes_max: int) -> bytes | None:
        """Return the whole body, or None once it is over the limit (a chunked one does not say so before)."""
        body = bytearray()
        while True:
            message = await receive()
            if message["type"] != "http.request":
                return bytes(body)
            body += message.get("body", b"")
            if len(body) > bytes_max:
                return None
            if not message.get("more_body", False):
                return bytes(body)


def _replayed(body: bytes, receive: Receive) -> Receive:
    """Return a `receive` that gives a body that was read already, and then goes on as before."""
    given = False

    async def replayed() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return replayed


def host_name(host: str) -> str:
    """Return the name in a Host header without its port, in small letters; an IPv6 address keeps its brackets."""
    host = host.strip().lower()
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0].removesuffix(".")


def _same_site(headers: Headers, host: str) -> bool:
    """Return whether a request that changes something may come from where it says it comes.

    Browsers send Sec-Fetch-Site or Origin, or both, with every such request; programs send neither.
    """
    if headers.get("sec-fetch-site", "none") not in {"same-origin", "none"}:
        return False
    origin = headers.get("origin")
    return origin is None or urlsplit(origin).netloc.lower() == host.strip().lower()


def _with_security(headers: Iterable[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
    kept = [(name, value) for name, value in headers if name.lower() != b"server"]
    present = {name.lower() for name, _ in kept}
    added = [each for each in SECURITY_HEADERS if each[0] not in present]
    if b"cache-control" not in present:
        # Numbers and forms: never from a cache. Static files have an ETag: ask each time whether they changed.
        added.append((b"cache-control", b"no-cache" if b"etag" in present else b"no-store"))
    return [*kept, *added]
