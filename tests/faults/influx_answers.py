"""A row of the table of faults: readings are kept in a real InfluxDB, and what stands before it answers anything but "stored".

The gate passes requests on, and answers writes by itself while it is told to: with 400, 401, 413, 422, 429, 503, or not
at all. Counted is in the engine behind it.
"""

import contextlib
import json
import tempfile
import threading
import time
import urllib.request
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.error import HTTPError
from urllib.parse import urlencode

from tests.faults.plant import SETTLE_S, Plant, a_plant
from tests.faults.row import Named, Row
from tests.faults.sending import until
from tests.influx import InfluxServer

BATCHES = 1000
HANG = 0  # in place of a status
ANSWERS = (400, 401, 413, 422, 429, 503, HANG)
BUCKET = "faults"
KEPT = ("Content-Type", "Content-Encoding", "Authorization", "Accept")  # of a request that is passed on


class Gate:
    """Before the engine: passes on what comes, or answers writes by `status`."""

    def __init__(self, behind: str) -> None:
        self.behind = behind
        self.status: int | None = None  # None: passes on
        self.answered: Counter[int] = Counter()
        self.port = 0

    def asked(self, path: str, body: bytes | None, headers: Mapping[str, str]) -> tuple[int, bytes] | None:
        """Answer a request; None: not at all."""
        status = self.status if path.startswith("/api/v2/write") else None
        if status is None:
            return self._passed_on(path, body, headers)
        self.answered[status] += 1
        if status == HANG:
            time.sleep(30)
            return None
        return status, json.dumps({"code": "x", "message": f"answered with {status}"}).encode()

    def _passed_on(self, path: str, body: bytes | None, headers: Mapping[str, str]) -> tuple[int, bytes]:
        kept = {name: headers[name] for name in KEPT if headers.get(name)}
        request = urllib.request.Request(f"{self.behind}{path}", body, kept)  # noqa: S310 - http, our own
        try:
            with urllib.request.urlopen(request, timeout=30) as answer:  # noqa: S310 - the same
                return answer.status, answer.read()
        except HTTPError as error:
            with error:
                return error.code, error.read()


class Handler(BaseHTTPRequestHandler):
    """Lets the gate of its server answer."""

    protocol_version = "HTTP/1.1"

    def do_POST(self) -> None:
        self._answer(self.rfile.read(int(self.headers["Content-Length"])))

    def do_GET(self) -> None:
        self._answer(None)

    def _answer(self, body: bytes | None) -> None:
        gate: Gate = self.server.gate  # type: ignore[attr-defined]
        answer = gate.asked(self.path, body, dict(self.headers.items()))
        if answer is None:
            self.close_connection = True
            return
        status, content = answer
        with contextlib.suppress(OSError):  # who asked has gone
            self.send_response(status)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            self.wfile.write(content)

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@contextmanager
def a_gate(behind: str) -> Iterator[Gate]:
    """A gate that stands until the end of the `with`."""
    gate = Gate(behind)
    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    server.gate = gate  # type: ignore[attr-defined]
    gate.port = server.server_port
    threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
    try:
        yield gate
    finally:
        server.shutdown()
        server.server_close()


def counted(engine: InfluxServer) -> tuple[int, int]:
    """How many readings are in the engine, and how many of them differ by drive and seq."""
    asked = urlencode({"db": BUCKET, "q": 'SELECT seq FROM "reading" GROUP BY drive'})
    with urllib.request.urlopen(f"http://127.0.0.1:{engine.port}/query?{asked}", timeout=30) as answer:
        found = json.load(answer)["results"][0].get("series", [])
    rows = [(series["tags"]["drive"], value[1]) for series in found for value in series["values"]]
    return len(rows), len(set(rows))


def answers() -> Row:
    """Each of the answers in turn, while devices send."""
    with tempfile.TemporaryDirectory(prefix="influx-") as name:
        engine = InfluxServer(Path(name))
        engine.start()
        try:
            engine.ask(f'CREATE DATABASE "{BUCKET}"')
            with a_gate(engine.url) as gate:
                return _answers(engine, gate)
        finally:
            engine.stop()


def _answers(engine: InfluxServer, gate: Gate) -> Row:
    settings = {
        "LINKLAG_INFLUX__URL": f"http://127.0.0.1:{gate.port}",
        "LINKLAG_INFLUX__ORG": "-",
        "LINKLAG_INFLUX__BUCKET": f"{BUCKET}/autogen",
        "LINKLAG_INFLUX__TIMEOUT_S": "1",
    }
    with a_plant(settings=settings, counted=lambda: counted(engine)) as plant:
        plant.start()
        plant.send(BATCHES // 8)
        plant.until_stored(BATCHES // 16)
        for status in ANSWERS:
            gate.status = status
            plant.send(BATCHES // 8)
            until(lambda status=status: plant.worker.is_up() and gate.answered[status] >= 2, SETTLE_S)  # type: ignore[misc]
            time.sleep(1.0)
            gate.status = None
            until(lambda: plant.worker.is_up() and plant.stored() + refused(plant) >= plant.sent, SETTLE_S)
        return plant.row(
            f"InfluxDB {engine.version()}: writes answered with 400, 401, 413, 422, 429, 503, not at all",
            allowed_loss=refused(plant),
            why="refused one by one (400, 422) while others were taken; each is kept among what was refused, in the server's words",
            note=f"{sum(gate.answered.values())} such answers",
        )


def refused(plant: Plant) -> int:
    """How many readings were kept as refused by their store."""
    return plant.query("SELECT count(*) FROM rejection WHERE reason = 'store_refused'")


def rows(minutes: float) -> list[Named]:
    """This row by its name."""
    del minutes
    return [("InfluxDB", answers)]
