"""An HTTP server that answers as a test says: what no real InfluxDB can be brought to at will."""

import gzip
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import ClassVar
from urllib.parse import parse_qs, urlsplit

Headers = dict[str, str]


@dataclass
class Answer:
    """What the server does with one request."""

    status: int = 204
    body: bytes = b""
    headers: Headers = field(default_factory=dict)
    after_s: float = 0.0
    cut: bool = False  # closes the connection without a word
    drip_s: float = 0.0  # between any two bytes of the body


@dataclass
class Asked:
    """What one request was."""

    path: str
    query: dict[str, str]
    headers: Headers
    lines: list[str]


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    answering: ClassVar["Answering"]

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        if self.headers.get("Content-Encoding") == "gzip":
            body = gzip.decompress(body)
        self._answer(body)

    def do_GET(self) -> None:
        self._answer(b"")

    def _answer(self, body: bytes) -> None:
        parts = urlsplit(self.path)
        query = {name: values[0] for name, values in parse_qs(parts.query).items()}
        asked = Asked(parts.path, query, dict(self.headers), body.decode().split("\n"))
        self.answering.asked.append(asked)
        answer = self.answering.answer(asked)
        time.sleep(answer.after_s)
        if answer.cut:
            self.close_connection = True
            self.connection.close()
            return
        try:
            self.send_response(answer.status)
            for name, value in answer.headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(answer.body)))
            self.end_headers()
            self._say(answer)
        except OSError:  # who asked has gone
            self.close_connection = True

    def _say(self, answer: Answer) -> None:
        if not answer.drip_s:
            self.wfile.write(answer.body)
            return
        for at in range(len(answer.body)):
            self.wfile.write(answer.body[at : at + 1])
            time.sleep(answer.drip_s)

    def log_message(self, *_: object) -> None:
        """Say nothing."""


class Answering:
    """The server: `answer` decides, `asked` has all that came."""

    def __init__(self, answer: Callable[[Asked], Answer]) -> None:
        self.answer = answer
        self.asked: list[Asked] = []
        handler = type("Handler", (_Handler,), {"answering": self})
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
        self._server.daemon_threads = True
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)
        self._thread.start()

    @property
    def url(self) -> str:
        """Where it is."""
        return f"http://127.0.0.1:{self._server.server_port}"

    def close(self) -> None:
        """End it."""
        self._server.shutdown()
        self._server.server_close()


@contextmanager
def answering(answer: Callable[[Asked], Answer]) -> Iterator[Answering]:
    """Give a server that answers so."""
    server = Answering(answer)
    try:
        yield server
    finally:
        server.close()
