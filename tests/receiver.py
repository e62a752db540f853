"""A webhook receiver that keeps what it got, and behaves as a test tells it to."""

import contextlib
import socket
import struct
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

FINE, FAILS, HANGS, RESETS, DOWN = "fine", "fails", "hangs", "resets", "down"


@dataclass
class Got:
    """One request that was answered with success."""

    headers: dict[str, str]
    body: bytes


Answer = tuple[int, dict[str, str]]


@dataclass
class Receiver:
    """What came, and how to behave from now on."""

    port: int
    host: str = "127.0.0.1"
    got: list[Got] = field(default_factory=list)
    asked: int = 0
    failed: Counter[str] = field(default_factory=Counter)  # requests that were not taken, by behaviour
    behaviour: str = FINE
    answer: Callable[[Got], Answer] = lambda _got: (204, {})  # while it is fine
    hang_s: float = 1.0

    @property
    def url(self) -> str:
        return f"http://{self.host}:{self.port}/hook"


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True

    def do_POST(self) -> None:
        receiver: Receiver = self.server.receiver  # type: ignore[attr-defined]
        body_bytes = int(self.headers.get("Content-Length", "0"))
        body = self.rfile.read(body_bytes)
        receiver.asked += 1
        if len(body) < body_bytes:  # who sends was killed in the middle of it: no request at all
            self.close_connection = True
            return
        behaviour = receiver.behaviour
        if behaviour != FINE:
            receiver.failed[behaviour] += 1
        if behaviour in {RESETS, DOWN}:
            # An RST in place of an end: what was sent may or may not have been seen.
            self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            self.connection.close()
            self.close_connection = True
            return
        if behaviour == HANGS:
            time.sleep(receiver.hang_s)
            self.close_connection = True
            return
        if behaviour == FAILS:
            self._answer(500, {})
            return
        got = Got({name.lower(): value for name, value in self.headers.items()}, body)
        status, headers = receiver.answer(got)
        if 200 <= status < 300:
            receiver.got.append(got)
        self._answer(status, headers)

    def _answer(self, status: int, headers: dict[str, str]) -> None:
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name, value)
        if status != 204:
            self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, *_: Any) -> None:
        pass

    def handle(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            super().handle()

    def finish(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            super().finish()


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    request_queue_size = 64

    def verify_request(self, request: Any, client_address: Any) -> bool:
        del request, client_address
        receiver: Receiver = self.receiver  # type: ignore[attr-defined]
        if receiver.behaviour == DOWN:
            receiver.failed[DOWN] += 1
            return False
        return True

    def handle_error(self, request: Any, client_address: Any) -> None:
        pass


@contextmanager
def a_receiver(host: str = "127.0.0.1", **how: Any) -> Iterator[Receiver]:
    """A receiver that runs until the end of the `with`. host: another only within network namespaces of the test's own."""
    server = _Server((host, 0), _Handler)
    receiver = Receiver(server.server_address[1], host, **how)
    server.receiver = receiver  # type: ignore[attr-defined]
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
    thread.start()
    try:
        yield receiver
    finally:
        server.shutdown()
        server.server_close()
        thread.join(5)
