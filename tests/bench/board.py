"""The board with a thousand drives: bytes on the wire, time to first paint, what its viewers cost; held against a static page.

    .venv/bin/python tests/bench/board.py [--drives 1000 --viewers 200 --seconds 20]

The server has a process of its own on a SQLite store, and its CPU is read from /proc. A tenth of the drives gets a new reading every
second (a batch of ten seconds each), one hundredth is at its limit, a tenth has an alert, half have a forecast. The static page is as
long as what it is held against, and goes through the same app, guards and packing.
"""

import argparse
import asyncio
import http.client
import logging
import multiprocessing
import os
import random
import sys
import tempfile
import threading
import time
from collections.abc import AsyncGenerator
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import structlog
from fastapi.responses import Response
from playwright.sync_api import sync_playwright

from service.adapters.database.connect import Database, open_database
from service.adapters.web.app import create_app
from service.adapters.web.live import EventStream
from service.adapters.web.server import WebServer
from service.annunciator import Annunciator
from service.core.alert import Act, Event
from service.core.drive import Baseline, Chain, Drive
from service.core.reading import Reading
from service.core.setpoint import ConditionKind, Priority
from tests.adapters.web.plant import reading_of
from tests.conftest import free_port, needs, wait_for_port
from tests.foretold import kept

S = 10**9
TICKS = os.sysconf("SC_CLK_TCK")
PAGES = 30


def main() -> None:
    quiet()
    parser = argparse.ArgumentParser()
    parser.add_argument("--drives", type=int, default=1000)
    parser.add_argument("--viewers", type=int, default=200)
    parser.add_argument("--seconds", type=int, default=20)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        url, port = f"sqlite:///{folder}/linklag.db", free_port()
        store = open_database(url)
        fill(store, asked.drives)
        server = multiprocessing.get_context("spawn").Process(target=serve, args=(url, port), daemon=True)
        server.start()
        wait_for_port(port, 60)
        assert server.pid is not None
        try:
            size = wire(port)
            paint(port)
            pages(port, server.pid, size)
            viewers(store, port, server.pid, asked)
        finally:
            server.terminate()
            server.join(10)
            store.close()


def quiet() -> None:
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.WARNING))


# The plant


def fill(store: Database, count: int) -> None:
    rng, now_ns = random.Random(7), time.time_ns()
    for number in range(count):
        drive_id = f"drive-{number:04d}"
        store.register.add_drive(
            Drive(
                drive_id=drive_id,
                name=f"{('Infeed', 'Outfeed', 'Lift', 'Turntable')[number % 4]} {number}",
                site=f"Works {number % 5}",
                area=f"Hall {number % 23}",
                line=f"{number % 40}",
                drive_class=("feed", "lift")[number % 2],
                whole_pitches=20,
            )
        )
        chain = Chain(
            chain_id=f"{drive_id}-a",
            drive_id=drive_id,
            designation="16B-1",
            pitch_mm=25.4,
            pitches_in_loop=98,
            fitted_ns=now_ns - 300 * 86_400 * S,
        )
        store.register.fit_chain(chain)
        store.register.record_baseline(
            Baseline(
                chain_id=chain.chain_id,
                taken_ns=now_ns - 299 * 86_400 * S,
                recorded_ns=now_ns - 299 * 86_400 * S,
                recorded_by="bench",
                why="new",
                pitches_between=20.0,
                pitches_between_u=0.001,
                elongation_pct=0.0,
                elongation_u_pct=0.01,
            )
        )
    store.readings.store([new_reading(number, now_ns, rng) for number in range(count)])
    store.prognoses.keep(
        [kept(f"drive-{n:04d}", rng.uniform(20, 900), now_ns - S) for n in range(0, count, 2)]
    )
    speaker = Annunciator(store.alert_log)
    for number in range(0, count, 10):
        act = Act(event=Event.OCCUR, true_ns=now_ns, recorded_ns=now_ns, priority=Priority.LOW)
        speaker.advance(f"drive-{number:04d}", ConditionKind.NEAR, act)


def new_reading(number: int, t_ns: int, rng: random.Random, seq: int = 0) -> Reading:
    pct = 3.1 if number % 100 == 0 else 0.2 + (number * 37 % 260) / 100 + rng.gauss(0, 0.004)
    return replace(reading_of(f"drive-{number:04d}", 0, pct, seq=seq), t_ns=t_ns, t0_ns=t_ns - 10 * S)


def serve(url: str, port: int) -> None:
    quiet()
    store = open_database(url)
    app = create_app(store)
    static = {"": b""}

    async def same_size(size: int) -> Response:
        """A page as long as another, of as much variety: it was sent to us before."""
        return Response(static[""][:size], media_type="text/html")

    async def keep(size: int) -> Response:
        connection = http.client.HTTPConnection("127.0.0.1", port)

        def fetched() -> bytes:
            connection.request("GET", "/")
            return connection.getresponse().read()

        static[""] = await asyncio.to_thread(fetched)
        return Response(str(len(static[""]) - size))

    async def drip(size: int, times: int) -> Response:
        """As much as a stream sends, of nothing that has to be worked out."""

        async def chunks() -> AsyncGenerator[bytes, None]:
            for _ in range(times):
                yield static[""][:size] or b" "
                await asyncio.sleep(1)

        return EventStream(chunks())

    app.router.add_api_route("/bench/same", same_size)
    app.router.add_api_route("/bench/keep", keep)
    app.router.add_api_route("/bench/drip", drip)
    WebServer(app, host="127.0.0.1", port=port).run()


# What is measured


def get(port: int, path: str) -> tuple[int, int]:
    """Return how many bytes came over the wire, head and body, and how many it was unpacked."""
    connection = http.client.HTTPConnection("127.0.0.1", port)
    connection.request("GET", path, headers={"Accept-Encoding": "gzip", "Sec-Fetch-Site": "same-origin"})
    answer = connection.getresponse()
    body = answer.read()
    assert answer.status == 200, (path, answer.status)
    head = sum(len(name) + len(value) + 4 for name, value in answer.getheaders()) + 20
    connection.close()
    return head + len(body), len(body)


def wire(port: int) -> int:
    """Return the length of the page unpacked, and tell what all of it takes on the wire."""
    connection = http.client.HTTPConnection("127.0.0.1", port)
    connection.request("GET", "/")
    text = connection.getresponse().read()
    connection.close()
    assets = ["linklag.css", "board.css", "linklag.js", "board.js", "age.js", "favicon.svg"]
    sent = {path: get(port, f"/static/{path}")[0] for path in assets}
    page = get(port, "/")[0]
    print(f"page: {page / 1000:.0f} kB on the wire, {len(text) / 1000:.0f} kB unpacked")
    print(f"with style, scripts and icon: {(page + sum(sent.values())) / 1000:.0f} kB on the wire")
    return len(text)


def paint(port: int) -> None:
    """Tell the first contentful paint of five loads in fresh contexts, and what the browser counted on the wire until loaded."""
    program = needs("chromium", why="apt-get install chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        for scheme in ("board", "static page of the same size"):
            paths = {"board": "/", "static page of the same size": "/bench/same?size=100000000"}
            get(port, "/bench/keep?size=0")
            firsts, sizes, worked = [], [], []
            for _ in range(5):
                context = browser.new_context(viewport={"width": 1280, "height": 900})
                page, received = context.new_page(), [0]
                session = context.new_cdp_session(page)
                session.send("Network.enable")
                session.send("Performance.enable", {"timeDomain": "threadTicks"})
                session.on(
                    "Network.loadingFinished",
                    lambda said, into=received: into.__setitem__(0, into[0] + int(said["encodedDataLength"])),
                )
                page.goto(f"http://127.0.0.1:{port}{paths[scheme]}", wait_until="load")
                page.wait_for_timeout(300)
                found = session.send("Performance.getMetrics")["metrics"]
                worked.append(1000 * next(each["value"] for each in found if each["name"] == "TaskDuration"))
                firsts.append(
                    page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
                )
                sizes.append(received[0])
                context.close()
            print(
                f"{scheme}: first paint after {sorted(firsts)[2]:.0f} ms "
                f"({min(firsts):.0f} to {max(firsts):.0f}), {sizes[0] / 1000:.0f} kB by the browser's count, "
                f"{sorted(worked)[2]:.0f} ms of CPU in its main thread"
            )
        browser.close()


def cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def pages(port: int, pid: int, size: int) -> None:
    """Tell the server's CPU for a board, and for a static page as long."""
    spent = {}
    for name, path in (("board", "/"), ("static page of the same size", f"/bench/same?size={size}")):
        get(port, path)
        begun = cpu_s(pid)
        for _ in range(PAGES):
            get(port, path)
        spent[name] = (cpu_s(pid) - begun) / PAGES
        print(f"{name}: {1000 * spent[name]:.0f} ms of the server's CPU")
    print(f"ratio: {spent['board'] / spent['static page of the same size']:.1f}")


async def watch(port: int, path: str, counted: list[int], until_s: float) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(
        f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nAccept: text/event-stream\r\n\r\n".encode()
    )
    while (left_s := until_s - time.monotonic()) > 0:
        try:
            chunk = await asyncio.wait_for(reader.read(1 << 20), left_s)
        except TimeoutError:
            break
        if not chunk:
            break
        counted[0] += len(chunk)
        counted[1] += chunk.count(b"event: beat")
    writer.close()


def viewers(store: Database, port: int, pid: int, asked: argparse.Namespace) -> None:
    """Tell the CPU of the server with so many open boards, with one, and with as many static streams as long."""
    stop, rng = threading.Event(), random.Random(11)

    def write() -> None:
        seq = 1
        while not stop.is_set():
            begun, now_ns = time.monotonic(), time.time_ns()
            some = range(seq % 10, asked.drives, 10)
            store.readings.store([new_reading(number, now_ns, rng, seq) for number in some])
            seq += 1
            stop.wait(max(0.0, 1 - (time.monotonic() - begun)))

    writing = threading.Thread(target=write, daemon=True)
    writing.start()

    def run(count: int, path: str) -> tuple[float, float, float]:
        async def story() -> tuple[float, float, float]:
            counted, until = [0, 0], time.monotonic() + 5 + asked.seconds
            tasks = [asyncio.create_task(watch(port, path, counted, until)) for _ in range(count)]
            await asyncio.sleep(5)  # what each is sent at first is over
            before, (bytes_before, beats_before), began = cpu_s(pid), counted, time.monotonic()
            await asyncio.gather(*tasks)
            used_s, lasted = cpu_s(pid) - before, time.monotonic() - began
            each = [now / lasted / count for now in (counted[0] - bytes_before, counted[1] - beats_before)]
            return used_s / lasted, each[0], each[1]

        return asyncio.run(story())

    one, _, _ = run(1, "/board/stream")
    many, each, updates = run(asked.viewers, "/board/stream")
    stop.set()
    writing.join(5)
    still, _, _ = run(asked.viewers, f"/bench/drip?size={round(each)}&times=1000")
    print(f"1 viewer: {one:.2f} cores; {asked.viewers} viewers: {many:.2f} cores", end=", ")
    print(f"{each / 1000:.1f} kB/s and {updates:.2f} updates/s each")
    print(f"{asked.viewers} static streams of as many bytes: {still:.2f} cores; ratio {many / still:.1f}")


if __name__ == "__main__":
    main()
