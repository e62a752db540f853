"""Who looks on during a soak: viewers with open pages, somebody who loads pages, programs; and what they saw."""

import asyncio
import contextlib
import http.client
import itertools
import json
import random
import re
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from tests.bench.soak_plant import Devices, Plant

STREAMS = 20
AGAIN_S = 2.0  # after which a browser connects anew
LAST_ID = re.compile(rb"^id: (\S+)", re.MULTILINE)


def cookie(secret: str) -> dict[str, str]:
    return {"Cookie": f"linklag={secret}"}


def paths_of(plant: Plant) -> list[str]:
    """Return what the streams of so many open pages ask for: boards, pages of a drive, lists of alerts."""
    some = plant.names[:: max(1, len(plant.names) // 6)][:6]
    return [
        *["/board/stream"] * 8,
        *["/board/stream?area=Hall+3", "/board/stream?need=due"],
        *[f"/api/v1/stream?only={name}" for name in some],
        *["/api/v1/alerts/stream"] * 4,
    ][:STREAMS]


class Viewers:
    """Open pages, each with its stream, which come back as browsers do."""

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        self.bytes = self.connected = 0
        self.trouble: Counter[str] = Counter()
        self._open: dict[int, asyncio.StreamWriter] = {}
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._stopping = False

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stopping = True
        self._loop.call_soon_threadsafe(self._cut, list(range(STREAMS)))
        self._thread.join(10)

    def cut(self, which: list[int]) -> None:
        """End some connections without a word, and open as many that are never read from, for ten seconds."""
        self._loop.call_soon_threadsafe(self._cut, which)
        asyncio.run_coroutine_threadsafe(self._slow(len(which)), self._loop)

    def _run(self) -> None:
        async def all_of_them() -> None:
            await asyncio.gather(*(self._view(*each) for each in enumerate(paths_of(self._plant))))

        self._loop.run_until_complete(all_of_them())

    def _cut(self, which: list[int]) -> None:
        for number in which:
            writer = self._open.pop(number, None)
            if writer is not None:
                writer.transport.abort()

    async def _connected(self, path: str, last: str) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        port, secret = self._plant.web_port, self._plant.keys.viewer
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(
            f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nAccept: text/event-stream\r\n"
            f"Cookie: linklag={secret}\r\n{f'Last-Event-ID: {last}' if last else 'X-None: 1'}\r\n\r\n".encode()
        )
        return reader, writer

    async def _view(self, number: int, path: str) -> None:
        last = ""
        while not self._stopping:
            with contextlib.suppress(OSError):
                reader, writer = await self._connected(path, last)
                self._open[number] = writer
                self.connected += 1
                status = await reader.readline()
                if b" 200 " not in status:
                    self.trouble[f"{path.partition('?')[0]}: {status.decode(errors='replace').strip()}"] += 1
                while chunk := await reader.read(1 << 18):
                    self.bytes += len(chunk)
                    found = LAST_ID.findall(chunk)
                    last = found[-1].decode() if found else last
                writer.close()
            await asyncio.sleep(AGAIN_S)

    async def _slow(self, count: int) -> None:
        opened = []
        for _ in range(count):
            with contextlib.suppress(OSError):
                opened.append((await self._connected("/board/stream", ""))[1])
        await asyncio.sleep(10)
        for writer in opened:
            writer.transport.abort()


class Follower:
    """A program on the data stream of all drives: when it saw which reading."""

    def __init__(self, plant: Plant, devices: Devices) -> None:
        self._plant, self._devices = plant, devices
        self.seen: list[tuple[float, float]] = []
        self.connections = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(15)

    def _run(self) -> None:
        last = ""
        while not self._stop.is_set():
            with contextlib.suppress(OSError, http.client.HTTPException):
                last = self._follow(last)
            self._stop.wait(0.5)

    def _follow(self, last: str) -> str:
        connection = http.client.HTTPConnection("127.0.0.1", self._plant.web_port, timeout=15)
        headers = {"Authorization": f"Bearer {self._plant.keys.token}", "Last-Event-ID": last}
        with contextlib.closing(connection):
            connection.request("GET", "/api/v1/stream", headers=headers)
            answer = connection.getresponse()
            self.connections += answer.status == 200
            for line in answer:
                if line.startswith(b"id: "):
                    last = line[4:].strip().decode()
                elif line.startswith(b'data: {"drive_id"'):
                    self._note(json.loads(line[6:]))
                if self._stop.is_set():
                    break
        return last

    def _note(self, newest: dict[str, Any]) -> None:
        ended = datetime.fromisoformat(newest["reading"]["time"])
        end_us = int(ended.timestamp()) * 1_000_000 + ended.microsecond
        published_ns = self._devices.published_ns.pop((newest["drive_id"], end_us), None)
        if published_ns is None:
            return
        took_s = (time.time_ns() - published_ns) / 1e9
        self.seen.append((self._plant.now_s - took_s, took_s))


@dataclass(slots=True)
class Asked:
    """What answers came to one kind of question."""

    statuses: Counter[int] = field(default_factory=Counter)
    took_s: list[float] = field(default_factory=list)
    unanswered: int = 0  # nobody served just then
    timed_out: list[str] = field(default_factory=list)
    slowest: tuple[float, str] = (0.0, "")
    wrong: list[str] = field(default_factory=list)  # server errors


class Asking:
    """One thread that asks again and again, each time something else."""

    def __init__(self, plant: Plant, every_s: float, turn: Callable[["Asking", int], None]) -> None:
        self.plant, self._every_s, self._turn = plant, every_s, turn
        self.asked = Asked()
        self.rng = random.Random(5)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(30)

    def _run(self) -> None:
        next_s = time.monotonic()
        for number in itertools.count():
            next_s = max(next_s + self._every_s, time.monotonic())
            if self._stop.wait(next_s - time.monotonic()):
                return
            self._turn(self, number)

    def ask(self, method: str, path: str, headers: dict[str, str], body: str | None = None) -> bytes:
        """Return what is answered; count it."""
        connection = http.client.HTTPConnection("127.0.0.1", self.plant.web_port, timeout=30)
        began_s = time.monotonic()
        try:
            connection.request(method, path, body, headers)
            answer = connection.getresponse()
            content = answer.read()
        except TimeoutError:
            self.asked.timed_out.append(f"{self.plant.now_s:.0f} s: {path}")
            return b""
        except (OSError, http.client.HTTPException):
            self.asked.unanswered += 1
            return b""
        finally:
            connection.close()
        took_s = time.monotonic() - began_s
        self.asked.took_s.append(took_s)
        self.asked.slowest = max(self.asked.slowest, (took_s, f"{path} at {self.plant.now_s:.0f} s"))
        self.asked.statuses[answer.status] += 1
        if answer.status >= 500:
            self.asked.wrong.append(f"{self.plant.now_s:.0f} s: {path} {answer.status} {content[-300:]!r}")
        return content


PAGES = (
    "/", "/alerts", "/forecasts", "/changes", "/drives/{}", "/drives/{}/trend", "/handover", "/lives", "/refused",
    "/drives/{}/map", "/routes", "/setpoints", "/?group=area", "/drives/{}/strobe", "/drives/{}/chain", "/alerts/quality",
    "/settings", "/drives/{}/change", "/work", "/drives/{}/hand", "/drives/{}/commission", "/wall", "/audit", "/plan",
)  # fmt: skip


def load_a_page(asking: Asking, number: int) -> None:
    """One page after the other, of any drive, as somebody with a browser would have it sent."""
    path = PAGES[number % len(PAGES)].format(asking.rng.choice(asking.plant.names))
    headers = cookie(asking.plant.keys.administrator) | {"Accept": "text/html", "Accept-Encoding": "gzip"}
    asking.ask("GET", path, headers)


def use_the_api(asking: Asking, number: int) -> None:
    """The newest of all drives, a series, the standing alerts; now and then it acknowledges one."""
    headers = {"Authorization": f"Bearer {asking.plant.keys.token}"}
    drive = asking.rng.choice(asking.plant.names)
    if number % 5 == 4:
        found = json.loads(asking.ask("GET", "/api/v1/alerts", headers) or b"{}").get("alerts", [])
        waiting = [each for each in found if each["annunciation"].startswith("unack")]
        if waiting:
            one = asking.rng.choice(waiting)["alert"]
            asking.ask(
                "POST",
                f"/api/v1/alerts/{one}/acknowledge",
                headers | {"Content-Type": "application/json"},
                json.dumps({"why": "seen by the soak"}),
            )
        return
    asking.ask(
        "GET",
        (
            "/api/v1/readings/newest",
            f"/api/v1/drives/{drive}/readings?resolution=raw",
            f"/api/v1/drives/{drive}/readings?resolution=minute",
            "/metrics",
        )[number % 5],
        headers,
    )
