"""Requests of every kind to `linklag web`, a process of its own: no answer 5xx, no crash, nothing that grows without bound.

    .venv/bin/python tests/bench/fuzz_api.py [--requests 100000] [--minutes 25] [--seed 1]

What schemathesis makes of the OpenAPI document for every route, and all pages and forms, is sent as it is and mutated: ids that are
there and ids that are none, queries, bodies, encodings, content types, lengths, hosts, origins; by people of each role, programs,
nobody, and who shows something that is no session or token. Some requests are no HTTP. Answers without end are left after their head.
"""

import argparse
import contextlib
import gzip
import http.client
import importlib
import json
import os
import pkgutil
import random
import secrets
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from urllib.parse import quote

import requests
import schemathesis
from fastapi.routing import APIRoute
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import seed as seeded
from hypothesis import strategies as st
from schemathesis.core.result import Ok

sys.path.insert(0, str(Path(__file__).parents[2]))

from service.adapters import web
from service.adapters.database.connect import Database, open_database
from service.adapters.web.app import create_app
from service.adapters.web.caller import FORM_HEADER, Caller
from service.core.people import Person, Role, Session, Token
from service.sign_in import TOKEN_PREFIX, hash_of
from tests.bench.fuzz_mqtt import DRIVES, Maker, Usage, Waiting, quiet, registered
from tests.conftest import free_port, wait_for_port
from tests.contracts.given import fake_ports

S = 1_000_000_000
THREADS = 3
TIMEOUT_S = 60.0
NEW_SESSIONS = 500  # requests after which everybody signs in anew: among them are those that sign out
KNOWN = {"drive_id": "d0", "chain_id": "c0", "alert_id": "d0.near", "number": "1", "kind": "near"}
NUMBERS = ["0", "-1", "1", "2", "9" * 19, "9" * 400, "1e400", "NaN", "0x10", "", " ", "true"]
TEXTS = [
    *(
        "%00",
        "%ff",
        "%C3%28",
        "..%2f..%2fetc",
        "%F0%9F%92%A5",
        "a" * 3000,
        "'%22<>",
        "%e2%80%ae",
        "null",
        "%25n",
    ),
    *(
        "2026-11-27T00:00:00Z",
        "9999-12-31T23:59:59.999999999Z",
        "0001-01-01T00:00:00Z",
        "2026-02-30",
        "-1d",
        "+",
    ),
]


@dataclass(frozen=True, slots=True)
class Asked:
    """One request."""

    method: str
    target: str  # path and query
    headers: tuple[tuple[str, str], ...] = ()
    body: bytes = b""

    def told(self) -> str:
        return f"{self.method} {self.target[:300]} {[h for h in self.headers if len(h[1]) < 200]} {self.body[:300]!r}"


# What is asked


def from_schema(per_route: int, seed: int) -> list[Asked]:
    """What schemathesis makes for each route of the API."""
    found: list[Asked] = []
    schema = schemathesis.openapi.from_dict(create_app(fake_ports()).openapi())
    for result in schema.get_all_operations():
        assert isinstance(result, Ok)
        found += _cases(result.ok(), per_route, seed)
    return found


def _cases(operation: Any, count: int, seed: int) -> list[Asked]:
    made: list[Asked] = []

    @seeded(seed)
    @settings(
        max_examples=count,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy(), known=st.booleans())
    def collect(case: Any, *, known: bool) -> None:
        if known and case.path_parameters:
            case.path_parameters = {key: KNOWN.get(key, value) for key, value in case.path_parameters.items()}
        how = case.as_transport_kwargs(base_url="http://x")
        how.pop("cookies", None)
        with contextlib.suppress(requests.exceptions.RequestException, UnicodeError, ValueError):
            made.append(_prepared(how))

    collect()
    return made


def _prepared(how: dict[str, Any]) -> Asked:
    ready = requests.Request(**how).prepare()
    body = ready.body or b""
    names = {"host", "content-length", "user-agent", "transfer-encoding"}
    kept = tuple((name, str(value)) for name, value in ready.headers.items() if name.lower() not in names)
    return Asked(
        str(ready.method), ready.path_url, kept, body if isinstance(body, bytes) else str(body).encode()
    )


def of_pages() -> list[Asked]:
    """Every page, and every form with fields that are none."""
    found = []
    for module in pkgutil.iter_modules(web.__path__):
        if not module.name.startswith("pages"):
            continue
        router = getattr(importlib.import_module(f"service.adapters.web.{module.name}"), "router", None)
        for route in getattr(router, "routes", []):
            if isinstance(route, APIRoute):
                path = route.path_format
                for name, value in KNOWN.items():
                    path = path.replace(f"{{{name}}}", value)
                for method in (route.methods or set()) - {"HEAD"}:
                    body = (
                        b"" if method == "GET" else b"name=x&drive_id=d0&why=&number=1&at=2026-11-27T00%3A00"
                    )
                    found.append(
                        Asked(method, path, (("Content-Type", "application/x-www-form-urlencoded"),), body)
                    )
    return found


class Mutator:
    """Makes requests of those that there are, the same ones for the same seed."""

    def __init__(self, seed: int, corpus: list[Asked], people: "People") -> None:
        self._random, self._corpus, self._people = random.Random(seed), corpus, people

    def requests(self, count: int) -> Iterator[tuple[Asked, str]]:
        """Requests, each with the host it is asked under."""
        for number in range(count):
            if number < len(self._corpus):
                asked = self._corpus[number]
            else:
                asked = self._random.choice(self._corpus)
                for _ in range(self._random.choice([1, 1, 2, 4])):
                    asked = self._random.choice(self.ways)(self, asked)
            yield self._by_somebody(asked), self._host()

    def _by_somebody(self, asked: Asked) -> Asked:
        r = self._random
        at = r.random()
        shown = r.choice(self._people.headers) if at < 0.85 else r.choice(BAD_SHOWN) if at < 0.95 else ()
        return replace(asked, headers=(*asked.headers, *shown))

    def _host(self) -> str:
        return "" if self._random.random() < 0.98 else self._random.choice(HOSTS)

    def path(self, asked: Asked) -> Asked:
        path, mark, query = asked.target.partition("?")
        levels = path.split("/")
        at = self._random.randrange(len(levels))
        levels[at] = self._random.choice([*TEXTS, *NUMBERS, *map(quote, KNOWN.values()), f"d{at}", "c1"])
        return replace(asked, target=quote("/".join(levels), safe="/%+'<>") + mark + query)

    def query(self, asked: Asked) -> Asked:
        r = self._random
        path, _, query = asked.target.partition("?")
        pairs = [pair for pair in query.split("&") if pair]
        if pairs and r.random() < 0.7:
            name = r.choice(pairs).partition("=")[0]
        else:
            name = r.choice(
                ["after", "from", "to", "limit", "wait_s", "site", "drive_id", "at", "lang", "days", "x"]
            )
        value = r.choice(NUMBERS + TEXTS)
        if name == "wait_s" and value.isdigit():
            value = "0"
        pairs.append(f"{name}={quote(value, safe='%+')}")
        return replace(asked, target=f"{path}?{'&'.join(pairs)}")

    def method(self, asked: Asked) -> Asked:
        methods = ["GET", "POST", "PUT", "PATCH", "DELETE", "HEAD", "OPTIONS", "TRACE", "PROPFIND", "get"]
        return replace(asked, method=self._random.choice(methods))

    def body(self, asked: Asked) -> Asked:
        r = self._random
        body = bytearray(asked.body or b"{}")
        match r.randrange(9):
            case 0:
                body[r.randrange(len(body))] ^= 1 << r.randrange(8)
            case 1:
                del body[r.randrange(len(body)) :]
            case 2:
                body = bytearray(b"[" * r.choice([10, 500, 50_000]))
            case 3:
                body = bytearray(r.randbytes(r.choice([1, 100, 5000])))
            case 4:
                body = bytearray(asked.body.decode("utf-8", "replace").encode("utf-16"))
            case 5:
                body = bytearray(gzip.compress(bytes(body)))
            case 6 if r.random() < 0.05:
                body = bytearray(b" " * r.choice([70_000, 300_000, 2_000_000]))
            case 7:
                body = bytearray(b'{"a":1,"a":' + b"9" * r.choice([20, 400, 5000]) + b"}")
            case _:
                body = bytearray(self._other_value(asked.body))
        return replace(asked, body=bytes(body))

    def _other_value(self, body: bytes) -> bytes:
        """Another value in a field of JSON, as no schema would allow it."""
        r = self._random
        try:
            fields = json.loads(body)
        except (ValueError, RecursionError):
            return body + b"&a=%00&=&name=" + b"x" * r.choice([1, 5000])
        odd: list[Any] = [
            None,
            0,
            -1,
            10**30,
            1e308,
            float("nan"),
            True,
            "",
            "\x00",
            "\ud800",
            "x" * 5000,
            [],
            {},
            [[]],
            {"a": {}},
        ]
        if isinstance(fields, dict) and fields:
            fields[r.choice(list(fields))] = r.choice(odd)
        else:
            fields = r.choice(odd)
        return json.dumps(fields).encode()

    def header(self, asked: Asked) -> Asked:
        return replace(asked, headers=(*asked.headers, self._random.choice(HEADERS)))

    ways: "list[Callable[[Mutator, Asked], Asked]]" = [path, query, query, method, body, body, body, header]  # noqa: RUF012


HOSTS = [
    "evil.example",
    "127.0.0.1:1@evil.example",
    "",
    "[::1",
    "127.0.0.1:abc",
    "a" * 9000,
    "localhost:99999",
    "\xff",
]
HEADERS = [
    ("Content-Type", "application/json; charset=utf-16"),
    ("Content-Type", "multipart/form-data"),
    ("Content-Type", "multipart/form-data; boundary=x"),
    ("Content-Type", "\xff"),
    ("Content-Encoding", "gzip"),
    ("If-Match", '"'),
    ("If-None-Match", "*"),
    ("If-Match", "W/" + "x" * 3000),
    ("Range", "bytes=99999999999999999999-"),
    ("Accept", "text/html"),
    ("Accept", "\xe9/*;q=x"),
    ("Accept-Language", "de;q=nan, en;q=1e999, " + "x" * 2000),
    ("Accept-Encoding", "gzip;q=0, *;q=x"),
    ("Origin", "https://evil.example"),
    ("Origin", "null"),
    ("Sec-Fetch-Site", "cross-site"),
    ("X-Forwarded-For", "10.0.0.1, \xff"),
    ("X-Forwarded-Proto", "https"),
    ("Cookie", "linklag=; linklag=x; a"),
    ("Cookie", "linklag-language=" + "x" * 3000),
    ("Last-Event-ID", "-9" * 50),
    ("Connection", "Upgrade"),
    ("Upgrade", "websocket"),
    ("Linklag-For", "\x00x".replace("\x00", "")),
]
BAD_SHOWN: list[tuple[tuple[str, str], ...]] = [
    (("Authorization", "Bearer " + TOKEN_PREFIX + "x" * 43),),
    (("Authorization", "Bearer "),),
    (("Authorization", "Bearer \xff\xfe"),),
    (("Authorization", "Basic " + "=" * 2000),),
    (("Authorization", "Basic \xff"),),
    (("Authorization", "Digest x"),),
    (("Authorization", "Bearer " + "y" * 20_000),),
    (("Cookie", "linklag=" + "z" * 43),),
    (("Cookie", "linklag=\xff"),),
]
NO_HTTP = [
    *(
        b"\x00" * 100,
        b"\x16\x03\x01\x02\x00\x01\x00",
        b"GET\r\n\r\n",
        b"GET / HTTP/9.9\r\n\r\n",
        b"\r\n" * 50,
    ),
    b"GET /" + b"a" * 100_000 + b" HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    b"GET / HTTP/1.1\r\n" + b"X: y\r\n" * 5000 + b"\r\n",
    b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n",
    b"GET / HTTP/1.1\r\nConnection: close\r\n\r\n",
    b"POST /api/v1/drives HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: -1\r\n\r\n{}",
    b"POST /api/v1/drives HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 99\r\nConnection: close\r\n\r\n{}",
    b"POST /api/v1/drives HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 2\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
    b"POST /api/v1/drives HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n{}\r\n",
    b"POST /api/v1/drives HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\nConnection: close\r\n\r\n2\r\n{}\r\n0\r\n\r\n",
    b"POST /api/v1/drives HTTP/1.1\r\nHost: 127.0.0.1\r\nExpect: 100-continue\r\nContent-Length: 2\r\nConnection: close\r\n\r\n{}",
]


# Who asks


class People:
    """One person of each role, and programs, with what they show."""

    def __init__(self, database: Database) -> None:
        self._database = database
        now_ns = time.time_ns()
        for role in Role:
            database.people.add(Person(name=f"p-{role.word}", role=role, password_hash="-", added_ns=now_ns))  # noqa: S106
        self._secrets = {role: secrets.token_urlsafe(32) for role in Role}
        self.headers: list[tuple[tuple[str, str], ...]] = []
        for role, secret in self._secrets.items():
            token = Caller(name=f"p-{role.word}", role=role, secret=secret).form_token
            self.headers.append((("Cookie", f"linklag={secret}"), (FORM_HEADER, token)))
        for role in (Role.VIEWER, Role.OPERATOR, Role.ENGINEER):
            text = TOKEN_PREFIX + secrets.token_urlsafe(32)
            database.tokens.add(
                Token(
                    name=f"t-{role.word}",
                    role=role,
                    secret_hash=hash_of(text),
                    added_ns=now_ns,
                    added_by="p",
                    expires_ns=now_ns + 86400 * S,
                )
            )
            self.headers.append((("Authorization", f"Bearer {text}"),))
        self.sign_in()

    def sign_in(self) -> None:
        """Open everybody's session anew: some requests close them."""
        now_ns = time.time_ns()
        for role, secret in self._secrets.items():
            self._database.sessions.close(hash_of(secret))
            self._database.sessions.open(
                Session(
                    secret_hash=hash_of(secret),
                    name=f"p-{role.word}",
                    opened_ns=now_ns,
                    seen_ns=now_ns,
                    ends_ns=now_ns + 86400 * S,
                )
            )


# Sending


@dataclass(slots=True)
class Seen:
    """What was seen of a run."""

    statuses: Counter[int] = field(default_factory=Counter)
    failures: list[str] = field(default_factory=list)
    routes: set[str] = field(default_factory=set)
    cut_off: int = 0  # connections that the server closed without an answer: what was sent was no HTTP
    memory_mb: list[float] = field(default_factory=list)
    descriptors: list[int] = field(default_factory=list)
    log: str = ""
    seconds: float = 0.0
    lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def requests(self) -> int:
        return sum(self.statuses.values()) + self.cut_off

    def told(self) -> str:
        mb = self.memory_mb
        counted = ", ".join(f"{status} {count}" for status, count in sorted(self.statuses.items()))
        return (
            f"{self.requests} requests in {self.seconds:.0f} s: {counted}; no answer {self.cut_off}\n"
            f"  memory after each eighth, MB: {', '.join(f'{each:.0f}' for each in mb)}; "
            f"descriptors {min(self.descriptors)} to {max(self.descriptors)}\n"
            f"  failures: {len(self.failures)}" + "".join(f"\n    {each}" for each in self.failures[:20])
        )

    def check(self) -> None:
        assert not self.failures, self.failures[:3]
        assert "Traceback" not in self.log, self.log[-3000:]
        assert self.statuses[200] > self.requests / 100  # else nothing was reached
        assert max(self.descriptors) <= self.descriptors[0] + 40
        half = len(self.memory_mb) // 2
        assert self.memory_mb[-1] <= self.memory_mb[half] + 60, self.memory_mb


class Client:
    """One connection that is kept, made anew where it ended."""

    def __init__(self, port: int, seen: Seen) -> None:
        self._port, self._seen = port, seen
        self._connection: http.client.HTTPConnection | None = None

    def ask(self, asked: Asked, host: str) -> None:
        try:
            status = self._answer(asked, host)
        except (http.client.HTTPException, OSError, UnicodeError, ValueError) as error:
            self.close()
            if isinstance(error, TimeoutError):
                self._failed(asked, "no answer in time")
            with self._seen.lock:
                self._seen.cut_off += 1
            return
        with self._seen.lock:
            self._seen.statuses[status] += 1
        if status >= 500 and not (status == 503 and "/health/" in asked.target):
            self._failed(asked, str(status))

    def _answer(self, asked: Asked, host: str) -> int:
        connection = self._connection or http.client.HTTPConnection(
            "127.0.0.1", self._port, timeout=TIMEOUT_S
        )
        self._connection = connection
        connection.putrequest(asked.method, asked.target, skip_host=True, skip_accept_encoding=True)
        connection.putheader("Host", (host or f"127.0.0.1:{self._port}").encode("latin-1"))
        for name, value in asked.headers:
            connection.putheader(name, value.encode("latin-1", "replace"))
        if asked.body or asked.method in {"POST", "PUT", "PATCH"}:
            connection.putheader("Content-Length", str(len(asked.body)))
        connection.endheaders(asked.body or None)
        answer = connection.getresponse()
        if answer.headers.get_content_type() == "text/event-stream":
            answer.read1(1000)
            self.close()
        else:
            answer.read()
            if answer.will_close:
                self.close()
        return answer.status

    def raw(self, sent: bytes) -> None:
        """Bytes that are no request, or a request as no client would write it."""
        try:
            with socket.create_connection(("127.0.0.1", self._port), timeout=3) as connection:
                connection.sendall(sent)
                line = connection.recv(4096).split(b"\r\n")[0].split()
        except OSError:
            line = []
        with self._seen.lock:
            if len(line) > 1 and line[1].isdigit():
                self._seen.statuses[int(line[1])] += 1
                if line[1].startswith(b"5"):
                    self._seen.failures.append(f"{line[1].decode()}: {sent[:200]!r}")
            else:
                self._seen.cut_off += 1

    def close(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _failed(self, asked: Asked, what: str) -> None:
        with self._seen.lock:
            self._seen.failures.append(f"{what}: {asked.told()}")


def stocked(folder: Path) -> Database:
    """A store with drives, readings and refused messages in it."""
    from prometheus_client import CollectorRegistry

    from service.ingest import Ingest, Metrics

    database = open_database(f"sqlite:///{folder}/linklag.db")
    now_ns = time.time_ns()
    registered(database, now_ns)
    ingest = Ingest(
        Waiting(Maker(1, now_ns).messages(600)), database.readings, database.register, database.refused,
        root="linklag/v1", metrics=Metrics(CollectorRegistry()), store_all=database.store_all,
    )  # fmt: skip
    with quiet():
        while ingest.step():
            pass
    database.readings.roll_up(10_000)
    assert len(database.register.drives()) == DRIVES
    return database


def run(count: int, per_route: int, seed: int, folder: Path, *, minutes: float = 60.0) -> Seen:
    """Ask `linklag web` on a store in a folder; ends by the clock where it takes too long."""
    seen, began_s, port = Seen(), time.monotonic(), free_port()
    corpus = from_schema(per_route, seed) + of_pages()
    seen.routes = {f"{asked.method} {asked.target.partition('?')[0]}" for asked in corpus}
    random.Random(seed).shuffle(corpus)
    with contextlib.closing(stocked(folder)) as database:
        people = People(database)
        log = folder / "web.log"
        with log.open("wb") as out:
            process = subprocess.Popen(
                [sys.executable, "-c", "from service.main import run; run()", "web", "--data", str(folder)],
                env=os.environ
                | {"LINKLAG_WEB__LOGIN": "on", "LINKLAG_WEB__PORT": str(port), "LINKLAG_LOG__LEVEL": "error"},
                stdout=out,
                stderr=subprocess.STDOUT,
            )
        try:
            wait_for_port(port, timeout_s=60)
            _ask_all(
                Mutator(seed, corpus, people), count, port, seen, process, people, began_s + minutes * 60
            )
            if process.poll() is not None:
                seen.failures.append(f"the server ended by itself: {process.returncode}")
        finally:
            process.terminate()
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait(10)
    seen.log = log.read_text(errors="replace")
    seen.seconds = time.monotonic() - began_s
    return seen


def _ask_all(
    mutator: Mutator,
    count: int,
    port: int,
    seen: Seen,
    process: subprocess.Popen[bytes],
    people: People,
    end_s: float,
) -> None:
    usage, coming, lock = Usage(process.pid), mutator.requests(count), threading.Lock()
    done = [0]

    def work(number: int) -> None:
        client, odd = Client(port, seen), random.Random(number)
        while time.monotonic() < end_s and process.poll() is None:
            with lock:
                each = next(coming, None)
                done[0] += 1
                at = done[0]
                if at * 8 % count < 8:
                    seen.memory_mb.append(usage.memory_mb())
                    seen.descriptors.append(usage.descriptors())
                if at % NEW_SESSIONS == 0:
                    people.sign_in()
            if each is None:
                break
            if odd.random() < 0.005:
                client.raw(odd.choice(NO_HTTP))
            else:
                client.ask(*each)
        client.close()

    threads = [threading.Thread(target=work, args=(number,)) for number in range(THREADS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    time.sleep(1)
    seen.memory_mb.append(usage.memory_mb())
    seen.descriptors.append(usage.descriptors())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--requests", type=int, default=100_000)
    parser.add_argument("--per-route", type=int, default=30)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    given_ = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        seen = run(given_.requests, given_.per_route, given_.seed, Path(folder), minutes=given_.minutes)
        size_mb = sum(each.stat().st_size for each in Path(folder).glob("linklag.db*")) / 1e6
    print(f"{seen.told()}\n  {len(seen.routes)} routes; store {size_mb:.0f} MB", flush=True)
    seen.check()


if __name__ == "__main__":
    main()
