"""An app on a real socket, for tests of what only a real server shows."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from fastapi import FastAPI

from service.adapters.web.server import WebServer
from tests.conftest import free_port, wait_for_port


@contextmanager
def served(app: FastAPI, port: int | None = None) -> Iterator[str]:
    """Serve an app on a free loopback port in a thread; give its address."""
    port = free_port() if port is None else port
    server = WebServer(app, host="127.0.0.1", port=port)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        wait_for_port(port)
        yield f"http://127.0.0.1:{port}"
    finally:
        server.stop()
        thread.join(10)
        assert not thread.is_alive(), "the server did not stop"
