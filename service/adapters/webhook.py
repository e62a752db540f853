"""A webhook: CloudEvents by HTTP POST, signed, to an address that was looked at before.

Knows HTTP and the signature of the Standard Webhooks specification; must not know what an event means. No redirect is
followed, no proxy of the environment is used, an answer is read only so far as it is needed, and a request that takes too
long in all is cut off.

Sources: Standard Webhooks specification 1.0.0 (webhook-id, webhook-timestamp, webhook-signature; 410 turns an endpoint off);
CloudEvents 1.0.2, HTTP protocol binding, structured and batched mode; RFC 9110 10.2.3 (Retry-After); from memory.
"""

import contextlib
import email.utils
import http.client
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from http import HTTPStatus
from typing import NamedTuple
from urllib.parse import urlsplit

from standardwebhooks import Webhook

from service.adapters import outside
from service.adapters.kept_secrets import resolved
from service.core.event import BATCH_CONTENT_TYPE, CONTENT_TYPE, CloudEvent, encode, encode_many
from service.core.route import Route, Way, is_reference, secret_problem
from service.ports import EndpointGoneError, EventRefusedError, NotDeliveredError

ANSWER_BYTES_MAX = 64 * 1024  # more of an answer is not read
WORDS_MAX = 200  # of an answer that are shown
ADDRESSES_MAX = 4  # of one name that are tried
# What says that this very event is not wanted; other answers speak of the endpoint as a whole (not found, not allowed).
OF_THE_EVENT = frozenset({400, 409, 413, 415, 422})


class Target(NamedTuple):
    """A URL taken apart."""

    tls: bool
    host: str
    port: int
    path: str

    @property
    def where(self) -> str:
        """Host and port, for messages: the path may hold a secret."""
        return f"{self.host}:{self.port}"


class Answer(NamedTuple):
    """What an endpoint answered."""

    status: int
    words: str
    retry_after: str
    location: str


class WebhookNotifier:
    """The port `Notifier` by HTTP. Keeps one connection while there is more to send."""

    def __init__(
        self,
        route: Route,
        *,
        timeout_s: float = 10.0,
        tls_context: ssl.SSLContext | None = None,
        look_up: outside.LookUp = outside.look_up,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        """A notifier that has connected to nothing yet.

        Args:
            route: a webhook.
            timeout_s: for the whole of one request.
            tls_context: which certificates to trust; None: the system's.
            look_up: the addresses of a name.
            now: what the signature says when it was made.

        Raises NotDeliveredError where target or secret cannot be read, or are not what is needed.
        """
        self._target = target_of(resolved(route.target))
        self._signs = _signer(resolved(route.secret))
        self._allow_private = route.allow_private
        self._timeout_s, self._look_up, self._now = timeout_s, look_up, now
        self._tls_context = tls_context
        self._watch = _Watch(timeout_s)
        self._connection: http.client.HTTPConnection | None = None

    def send(self, events: Sequence[CloudEvent], message_id: str) -> None:
        """POST one event, or several as a batch. See the port."""
        body = encode(events[0]) if len(events) == 1 else encode_many(events)
        at = self._now()
        headers = {
            "Content-Type": CONTENT_TYPE if len(events) == 1 else BATCH_CONTENT_TYPE,
            "User-Agent": "linklag",
            "webhook-id": message_id,
            "webhook-timestamp": str(int(at.timestamp())),
            "webhook-signature": self._signs.sign(message_id, at, body.decode()),
        }
        self._judge(self._asked(body, headers))

    def rest(self) -> None:
        """Close the connection: nobody keeps one open for nothing."""
        self._hang_up()
        self._watch.end()

    def close(self) -> None:
        """Close the connection."""
        self.rest()

    def _hang_up(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _asked(self, body: bytes, headers: dict[str, str]) -> Answer:
        """Return the answer. A connection that was kept may have been closed meanwhile: then once more, on a new one."""
        try:
            if self._connection is not None:
                try:
                    return self._post(self._connection, body, headers)
                except ConnectionError:
                    self._hang_up()
            self._connection = self._connected()
            return self._post(self._connection, body, headers)
        except (OSError, http.client.HTTPException) as error:
            self._hang_up()
            raise NotDeliveredError(f"{self._target.where}: {_words(error, self._timeout_s)}") from None

    def _connected(self) -> http.client.HTTPConnection:
        """Return a connection to an address that was looked at, under the name it was asked for."""
        target = self._target
        fault: OSError | None = None
        for address in outside.addresses(
            target.host, target.port, allow_private=self._allow_private, look_up=self._look_up
        )[:ADDRESSES_MAX]:
            try:
                sock: socket.socket = socket.create_connection((address, target.port), self._timeout_s)
                sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # head and body are two packets
                sock = self._encrypted(sock) if target.tls else sock
            except OSError as error:
                fault = error
                continue
            connection = http.client.HTTPConnection(
                target.host.strip("[]"), target.port, timeout=self._timeout_s
            )
            connection.auto_open = 0  # only ever the address that was looked at
            connection.sock = sock
            return connection
        raise fault or OSError("no address")

    def _encrypted(self, sock: socket.socket) -> socket.socket:
        """Return the socket with TLS, the certificate held against the host's name."""
        context = self._tls_context or ssl.create_default_context()
        try:
            sock = context.wrap_socket(
                sock, server_hostname=self._target.host.strip("[]"), do_handshake_on_connect=False
            )
            with self._watch.over(sock):
                sock.do_handshake()
        except OSError:
            sock.close()  # the plain one, or the one that took its place
            raise
        return sock

    def _post(self, connection: http.client.HTTPConnection, body: bytes, headers: dict[str, str]) -> Answer:
        with self._watch.over(connection.sock):
            connection.request("POST", self._target.path, body, headers)
            response = connection.getresponse()
            said = response.read(ANSWER_BYTES_MAX)
            whole = not response.read(1)
        if response.will_close or not whole:
            self._hang_up()
        return Answer(
            response.status,
            _one_line(said),
            response.headers.get("Retry-After", ""),
            response.headers.get("Location", ""),
        )

    def _judge(self, answer: Answer) -> None:
        """Raise what an answer means."""
        status = answer.status
        if 200 <= status < 300:
            return
        said = f"{self._target.where} answers {status} {_phrase(status)}"
        if answer.words:
            said += f": {answer.words}"
        if status == HTTPStatus.GONE:
            raise EndpointGoneError(f"{said}. Nothing is sent to it any more until somebody tries again")
        if 300 <= status < 400:
            to = urlsplit(answer.location).netloc or "somewhere else"
            raise NotDeliveredError(
                f"{self._target.where} answers {status} and points to {to[:100]}: no redirect is followed; if that is the "
                "right place, make it the target"
            )
        if status in OF_THE_EVENT:
            raise EventRefusedError(said)
        raise NotDeliveredError(said, retry_after_s(answer.retry_after, self._now()))


def target_of(url: str) -> Target:
    """Return a URL taken apart. Raises NotDeliveredError, without repeating it."""
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        raise NotDeliveredError(
            "the target is no URL: give one such as https://cmms.example/hooks/linklag"
        ) from None
    if parts.scheme not in {"http", "https"} or not parts.hostname:
        raise NotDeliveredError(
            "the target is no http or https URL: give one such as https://cmms.example/hook"
        )
    if parts.username is not None or parts.password is not None:
        raise NotDeliveredError("the target has a user in it: the signature says who sends; leave it out")
    if any(ord(char) <= 32 or ord(char) == 127 for char in url) or not url.isascii():
        raise NotDeliveredError(
            "the target holds spaces or letters that no URL has: write them as %20, or xn-- names"
        )
    tls = parts.scheme == "https"
    host = f"[{parts.hostname}]" if ":" in parts.hostname else parts.hostname
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    return Target(tls, host, port or (443 if tls else 80), path)


def retry_after_s(text: str, now: datetime) -> float | None:
    """Return how long an endpoint asks us to wait, from its Retry-After: seconds, or a date. None where it says nothing."""
    if text.isascii() and text.strip().isdigit():
        return float(text)
    try:
        return max(0.0, (email.utils.parsedate_to_datetime(text) - now).total_seconds())
    except (ValueError, TypeError):
        return None


def _signer(secret: str) -> Webhook:
    """Return what signs with a secret; the library itself would take a short or mistyped one. Never repeats it."""
    if not secret or is_reference(secret) or secret_problem(Way.WEBHOOK, secret) is not None:
        raise NotDeliveredError(
            "the secret is none: it must be whsec_ and the base64 of 24 to 64 bytes; make a new one for this route"
        )
    return Webhook(secret)


class _Watch:
    """Cuts a socket off that takes too long in all, however often it gives a byte. One thread, while there is a connection."""

    def __init__(self, timeout_s: float) -> None:
        self._timeout_s = timeout_s
        self._watched: tuple[float, socket.socket] | None = None
        self._ended = threading.Event()
        self._thread: threading.Thread | None = None

    @contextlib.contextmanager
    def over(self, sock: socket.socket) -> Iterator[None]:
        """Raise TimeoutError where what is done meanwhile takes too long."""
        if self._thread is None:
            self._ended.clear()
            self._thread = threading.Thread(target=self._look, name="webhook watch", daemon=True)
            self._thread.start()
        watched = self._watched = (time.monotonic() + self._timeout_s, sock)
        try:
            yield
        except (OSError, http.client.HTTPException):
            if self._watched is watched:
                raise
        finally:
            cut, self._watched = self._watched is not watched, None
        if cut:
            raise TimeoutError

    def end(self) -> None:
        """Watch no more."""
        self._ended.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None

    def _look(self) -> None:
        while not self._ended.wait(self._timeout_s / 10):
            watched = self._watched
            if watched is not None and time.monotonic() > watched[0]:
                self._watched = None
                with contextlib.suppress(OSError):
                    socket.socket.shutdown(
                        watched[1], socket.SHUT_RDWR
                    )  # not TLS's own: the other thread is in it


def _words(error: Exception, timeout_s: float) -> str:
    """What went wrong with a connection, and what to do. The order matters: some are kinds of others."""
    match error:
        case ssl.SSLCertVerificationError():
            return (
                f"its certificate is not trusted ({error.verify_message}): let it present a valid one for that name, or "
                "set deliver.tls_ca_file"
            )
        case ssl.SSLError():
            return f"TLS failed ({error.reason}): does it speak https there?"
        case TimeoutError():
            return f"no answer within {timeout_s:g} s"
        case ConnectionError():
            return "the connection was refused or cut off: is it running there?"
        case OSError():
            return error.strerror or "no connection"
        case _:
            return f"the answer is no HTTP ({type(error).__name__})"


def _phrase(status: int) -> str:
    try:
        return HTTPStatus(status).phrase
    except ValueError:
        return ""


def _one_line(body: bytes) -> str:
    text = " ".join(body[: 4 * WORDS_MAX].decode("utf-8", errors="replace").split())
    return "".join(char for char in text if char.isprintable())[:WORDS_MAX]
