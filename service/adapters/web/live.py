"""The live stream: one look at the store a second for all who listen, encoded once.

Knows asyncio and server-sent events; must not know what the events say: it is given a function that looks.

Each key (a drive, or a part of what is shown of it) has one event, its newest; a client remembers the number of the last event it was sent. So what
waits for a client is never more than one event a key, however slow it is: it misses what was overtaken
and nothing else. The same number is the event's id, so a client that comes back (Last-Event-ID) gets what
it missed, and one from before a restart gets everything.

Source: HTML Living Standard, 9.2 "Server-sent events" (from memory).
"""

import asyncio
import contextlib
import json
import time
from collections.abc import AsyncGenerator, Callable, Sequence
from dataclasses import dataclass

import structlog
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from service.ports import StoreUnavailableError

log = structlog.get_logger()

RETRY_MS = 2000  # after which a browser connects again
BEAT_S = 5.0  # after so much silence a beat says that the stream still runs


@dataclass(frozen=True, slots=True)
class News:
    """What a look found under one key: `mark` changes when there is something new, `encode` makes the data of its event."""

    key: str
    mark: object
    encode: Callable[[], bytes]
    kind: str = "reading"


Look = Callable[[], Sequence[News]]
Wanted = Callable[[str], bool]


class Live:
    """Looks at the store while anybody listens, and keeps the newest event of each drive."""

    def __init__(
        self, look: Look, *, period_s: float = 1.0, now_ns: Callable[[], int] = time.time_ns
    ) -> None:
        self._look, self._period_s, self._now_ns = look, period_s, now_ns
        self._run = f"{time.time_ns():x}"  # numbers of another run of the process mean nothing here
        self._number = 0
        self._events: dict[str, tuple[int, bytes]] = {}  # in the order of their numbers
        self._joined: tuple[int, int, bytes] | None = None  # from, to: what most clients wait for
        self._marks: dict[str, object] = {}
        self._store_answers = True
        self._stir = asyncio.Event()  # replaced each time it is set
        self._looking: asyncio.Task[None] | None = None
        self._closed = self._failed = False
        self.clients = 0

    @property
    def newest_id(self) -> str:
        """The id of the newest event: who begins after it misses nothing that is found from now on."""
        return f"{self._run}-{self._number}"

    async def events(
        self, last_event_id: str = "", wanted: Wanted | None = None
    ) -> AsyncGenerator[bytes, None]:
        """Yield what to send to one client, until it goes or `close` is called. wanted: says of a key whether it is; None: all."""
        after = self._seen(last_event_id)
        self.clients += 1
        self._start()
        try:
            yield f"retry: {RETRY_MS}\n\n".encode() + self._beat()
            answered = self._store_answers
            while not (self._closed or self._failed):
                stir = self._stir
                chunk, after = self._since(after, wanted)
                if chunk or answered != self._store_answers:
                    answered = self._store_answers
                    yield chunk + self._beat()
                    continue
                try:
                    await asyncio.wait_for(stir.wait(), BEAT_S)
                except TimeoutError:
                    yield self._beat()
        finally:
            self.clients -= 1

    def close(self) -> None:
        """End all streams; to be called on the loop that serves them. Clients come back by themselves."""
        self._closed = True
        self._wake()

    def _start(self) -> None:
        if self._looking is None or self._looking.done():
            self._failed = False
            self._looking = asyncio.get_running_loop().create_task(self._keep_looking())

    async def _keep_looking(self) -> None:
        """Look once a period until nobody listens any more. A fault of ours ends the streams, with a line in the log."""
        try:
            while self.clients and not self._closed:
                started = time.monotonic()
                await self._look_once()
                await asyncio.sleep(max(0.05, self._period_s - (time.monotonic() - started)))
        except Exception:
            log.exception("live stream failed")
            self._failed = True
            self._wake()

    async def _look_once(self) -> None:
        try:
            found = await run_in_threadpool(self._look)
        except StoreUnavailableError:
            if self._store_answers:
                self._store_answers = False
                self._wake()
            return
        news = [each for each in found if self._marks.get(each.key) != each.mark]
        encoded = await run_in_threadpool(lambda: [each.encode() for each in news])
        for each, data in zip(news, encoded, strict=True):
            self._number += 1
            self._marks[each.key] = each.mark
            self._events.pop(each.key, None)  # so that the order stays that of the numbers
            self._events[each.key] = (self._number, self._event(each.kind, data))
        gone = self._marks.keys() - {each.key for each in found}
        for key in gone:
            self._number += 1
            del self._marks[key], self._events[key]
            self._events[key] = (self._number, self._event("gone", json.dumps({"key": key}).encode()))
        if news or gone or not self._store_answers:
            self._store_answers = True
            self._wake()

    def _event(self, kind: str, data: bytes) -> bytes:
        return f"id: {self._run}-{self._number}\nevent: {kind}\ndata: ".encode() + data + b"\n\n"

    def _beat(self) -> bytes:
        data = {"now_ms": self._now_ns() // 1_000_000, "store": "up" if self._store_answers else "down"}
        return f"event: beat\ndata: {json.dumps(data)}\n\n".encode()

    def _since(self, after: int, wanted: Wanted | None) -> tuple[bytes, int]:
        """Return all events with a number over `after` that are wanted, joined, and the greatest number there is."""
        known = self._joined
        if wanted is None and known is not None and known[:2] == (after, self._number):
            return known[2], self._number
        waiting = []
        for key, (number, event) in reversed(self._events.items()):
            if number <= after:
                break
            if wanted is None or wanted(key):
                waiting.append(event)
        chunk = b"".join(reversed(waiting))
        if wanted is None:
            self._joined = after, self._number, chunk
        return chunk, self._number

    def _seen(self, last_event_id: str) -> int:
        run, _, number = last_event_id.partition("-")
        return min(int(number), self._number) if run == self._run and number.isdecimal() else 0

    def _wake(self) -> None:
        stir, self._stir = self._stir, asyncio.Event()
        stir.set()


class EventStream(Response):
    """A response that sends events until they end or the client goes, and notices the latter at once."""

    media_type = "text/event-stream"

    def __init__(self, events: AsyncGenerator[bytes, None]) -> None:
        self._events = events
        self.status_code = 200
        self.background = None
        self.init_headers({"Cache-Control": "no-store", "X-Accel-Buffering": "no"})

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send events; a task beside waits for the client to go."""
        del scope
        sending = asyncio.create_task(self._send(send))
        going = asyncio.create_task(_gone(receive))
        try:
            await asyncio.wait({sending, going}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (sending, going):
                task.cancel()
                with contextlib.suppress(asyncio.CancelledError, OSError):
                    await task

    async def _send(self, send: Send) -> None:
        await send({"type": "http.response.start", "status": self.status_code, "headers": self.raw_headers})
        async with contextlib.aclosing(self._events) as events:
            async for chunk in events:
                await send({"type": "http.response.body", "body": chunk, "more_body": True})
        await send({"type": "http.response.body", "body": b"", "more_body": False})


async def _gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
