"""An InfluxDB for tests: a server of their own, 1.8 through its v2 write URL, or the one that LINKLAG_TEST_INFLUX_URL names.

Debian's 1.6 has no v2 write URL: a test-only adapter then stands before it, and its name says so.
"""

import atexit
import itertools
import os
import re
import shutil
import signal
import subprocess
import tempfile
import threading
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.error import HTTPError
from urllib.parse import parse_qs, urlencode, urlsplit

from service.adapters.influx.client import InfluxClient, LineRefused, Series
from tests.conftest import ends_with_us, free_port, needs, wait_for_port

BUILT = (
    Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "linklag/influxd-1.8.10"
)  # by .ci/run
WHY = "as .ci/run does: go install github.com/influxdata/influxdb/cmd/influxd@v1.8.10, or apt-get install influxdb"
_CONF = """
reporting-enabled = false
bind-address = "127.0.0.1:{rpc}"
[meta]
  dir = "{folder}/meta"
[data]
  dir = "{folder}/data"
  wal-dir = "{folder}/wal"
  index-version = "inmem"
  query-log-enabled = false
[http]
  bind-address = "127.0.0.1:{port}"
  log-enabled = false
[monitor]
  store-enabled = false
[logging]
  level = "error"
"""


class InfluxServer:
    """An influxd on free loopback ports, that can be stopped, killed and started again."""

    def __init__(self, folder: Path) -> None:
        self._program = shutil.which("influxd", path=str(BUILT)) or needs("influxd", why=WHY)
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self._conf = folder / "influxdb.conf"
        self._conf.write_text(_CONF.format(folder=folder, port=self.port, rpc=free_port()))
        self._process: subprocess.Popen[bytes] | None = None
        self._adapter: ThreadingHTTPServer | None = None

    def start(self) -> None:
        """Start, and return when it answers."""
        self._process = subprocess.Popen(
            ends_with_us(self._program, "-config", str(self._conf)),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        wait_for_port(self.port, 30)
        if self._adapter is None and self.version().startswith("1.6"):
            self._adapter = _adapter(self.port)
            self.url = f"http://127.0.0.1:{self._adapter.server_port}"

    def version(self) -> str:
        """Return what the server calls its version."""
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/ping") as answer:
            return str(answer.headers["X-Influxdb-Version"])

    def stop(self, how: signal.Signals = signal.SIGKILL) -> None:
        """End it by a signal, and wait until it is gone."""
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(30)
            self._process = None

    def ask(self, statement: str) -> None:
        """Run a statement of InfluxQL that changes the server."""
        body = urlencode({"q": statement}).encode()
        urllib.request.urlopen(f"http://127.0.0.1:{self.port}/query", body).close()

    def client(self, database: str, *, timeout_s: float = 10.0) -> InfluxClient:
        """Return a client of a database, through the v2 write URL."""
        return InfluxClient(self.url, org="-", bucket=f"{database}/autogen", timeout_s=timeout_s)


class _OneBucket(InfluxClient):
    """A client that shares a bucket with others: its measurements have names of its own."""

    def __init__(self, name: str) -> None:
        environ = os.environ
        super().__init__(
            environ["LINKLAG_TEST_INFLUX_URL"],
            org=environ.get("LINKLAG_TEST_INFLUX_ORG", "-"),
            bucket=environ.get("LINKLAG_TEST_INFLUX_BUCKET", "linklag-test"),
            token=environ.get("LINKLAG_TEST_INFLUX_TOKEN", ""),
        )
        self._name = name

    def write(self, lines: Sequence[str]) -> list[LineRefused]:
        return super().write([f"{self._name}{line}" for line in lines])

    def query(self, statement: str, **values: str | float) -> list[Series]:
        return super().query(re.sub(r'FROM "', f'FROM "{self._name}', statement), **values)


_numbers = itertools.count()


@cache
def server() -> InfluxServer:
    """Return the one server of this process of tests, started at the first call, killed at the end."""
    in_memory = "/dev/shm" if Path("/dev/shm").is_dir() else None  # noqa: S108
    folder = Path(tempfile.mkdtemp(prefix="linklag-influx-", dir=in_memory))
    started = InfluxServer(folder)
    started.start()

    def end() -> None:
        started.stop()
        shutil.rmtree(folder, ignore_errors=True)

    atexit.register(end)
    return started


@contextmanager
def an_empty_bucket() -> Iterator[InfluxClient]:
    """Give a client of a bucket, or of measurements in one, that nobody wrote to."""
    name = f"t{os.getpid()}x{next(_numbers)}"
    if "LINKLAG_TEST_INFLUX_URL" in os.environ:
        client: InfluxClient = _OneBucket(f"{name}_")
        yield client
        client.close()
        return
    own = server()
    own.ask(f'CREATE DATABASE "{name}"')
    client = own.client(name)
    yield client
    client.close()
    own.ask(f'DROP DATABASE "{name}"')


def _adapter(port: int) -> ThreadingHTTPServer:
    """Start what turns the v2 write URL into that of 1.6 and hands on all else."""

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            parts = urlsplit(self.path)
            asked = {name: values[0] for name, values in parse_qs(parts.query).items()}
            path = self.path
            if parts.path == "/api/v2/write":
                database = asked["bucket"].split("/")[0]
                path = f"/write?{urlencode({'db': database, 'precision': asked['precision'].replace('ns', 'n')})}"
            body = self.rfile.read(int(self.headers["Content-Length"]))
            kept = {
                name: self.headers[name]
                for name in ("Content-Type", "Content-Encoding")
                if name in self.headers
            }
            self._answer(urllib.request.Request(f"http://127.0.0.1:{port}{path}", body, kept))

        def do_GET(self) -> None:
            self._answer(urllib.request.Request(f"http://127.0.0.1:{port}{self.path}"))

        def _answer(self, request: urllib.request.Request) -> None:
            try:
                answer = urllib.request.urlopen(request)  # noqa: S310
            except HTTPError as error:
                answer = error
            with answer:
                content = answer.read()
                self.send_response(answer.status or 500)
                for name in ("Content-Type", "X-Influxdb-Version"):
                    if answer.headers.get(name):
                        self.send_header(name, answer.headers[name])
                self.send_header("Content-Length", str(len(content)))
                self.end_headers()
                self.wfile.write(content)

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    served = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=served.serve_forever, daemon=True).start()
    return served
