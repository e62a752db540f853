"""The stream of transitions: one look at the store a second for all who listen, and every transition to each of them.

Knows asyncio and server-sent events; must not know what a transition says: it is given functions that read and encode.

Unlike the stream of readings nothing is ever overtaken here. The number of a transition is the id of its event, so that a
client that comes back (Last-Event-ID) reads on where it was, also after a restart; who is slow reads later, from the store.
"""

import asyncio
import contextlib
import json
import time
from collections.abc import AsyncGenerator, Callable, Iterator, Sequence

import structlog
from starlette.concurrency import run_in_threadpool

from service.adapters.web.live import BEAT_S, RETRY_MS
from service.core.alert import Transition
from service.ports import AlertLog, StoreUnavailableError

log = structlog.get_logger()

PAGE = 200  # transitions read at once for one listener


class AlertFeed:
    """Tells listeners that there is something new."""

    def __init__(
        self, alert_log: AlertLog, *, period_s: float = 1.0, now_ns: Callable[[], int] = time.time_ns
    ) -> None:
        self._log, self._period_s, self._now_ns = alert_log, period_s, now_ns
        self._stir = asyncio.Event()  # replaced each time it is set
        self._looking: asyncio.Task[None] | None = None
        self._newest = 0
        self._store_answers = True
        self._closed = self._failed = False
        self.clients = 0

    def close(self) -> None:
        """End all streams; to be called on the loop that serves them. Clients come back by themselves."""
        self._closed = True
        self._wake()

    async def wait(
        self, after: int, drive_id: str | None, timeout_s: float, rows_max: int
    ) -> list[Transition]:
        """Return transitions after a number, waiting for the first of them at most so long. Raises StoreUnavailableError."""
        until = time.monotonic() + timeout_s
        with self._listening():
            while True:
                newest = self._newest
                page = await run_in_threadpool(self._log.after, after, rows_max, drive_id)
                left_s = until - time.monotonic()
                if page or left_s <= 0 or self._over:
                    return page
                await self._changed(newest, left_s)

    async def events(
        self, after: int, drive_id: str | None, encode: Callable[[Sequence[Transition]], bytes]
    ) -> AsyncGenerator[bytes, None]:
        """Yield what to send to one client, until it goes or `close` is called."""
        with self._listening():
            yield f"retry: {RETRY_MS}\n\n".encode() + self._beat(after)
            while not self._over:
                newest, answers = self._newest, self._store_answers
                try:
                    page = await run_in_threadpool(self._log.after, after, PAGE, drive_id)
                except StoreUnavailableError:
                    page = []
                if page:
                    after = page[-1].number
                    yield await run_in_threadpool(encode, page)
                elif not await self._changed(newest, BEAT_S) or answers != self._store_answers:
                    yield self._beat(after)

    @contextlib.contextmanager
    def _listening(self) -> Iterator[None]:
        self.clients += 1
        if self._looking is None or self._looking.done():
            self._failed = False
            self._looking = asyncio.get_running_loop().create_task(self._keep_looking())
        try:
            yield
        finally:
            self.clients -= 1

    async def _changed(self, newest: int, timeout_s: float) -> bool:
        """Wait until there is a transition after `newest`, or the store went down or came back; return whether it did."""
        stir = self._stir
        if newest != self._newest or self._over:
            return True
        try:
            await asyncio.wait_for(stir.wait(), timeout_s)
        except TimeoutError:
            return False
        return True

    async def _keep_looking(self) -> None:
        """Look once a period until nobody listens any more. A fault of ours ends the streams, with a line in the log."""
        while self.clients and not self._closed:
            started = time.monotonic()
            try:
                newest, answers = await run_in_threadpool(self._log.newest_number), True
            except StoreUnavailableError:
                newest, answers = self._newest, False
            except Exception:
                log.exception("stream of alerts failed")
                self._failed = True
                self._wake()
                return
            if newest != self._newest or answers != self._store_answers:
                self._newest, self._store_answers = newest, answers
                self._wake()
            await asyncio.sleep(max(0.05, self._period_s - (time.monotonic() - started)))

    def _beat(self, after: int) -> bytes:
        """A sign of life that carries the place in the stream, so that a client that saw nothing else comes back to it."""
        data = {"now_ms": self._now_ns() // 1_000_000, "store": "up" if self._store_answers else "down"}
        return f"id: {after}\nevent: beat\ndata: {json.dumps(data)}\n\n".encode()

    @property
    def _over(self) -> bool:
        return self._closed or self._failed

    def _wake(self) -> None:
        stir, self._stir = self._stir, asyncio.Event()
        stir.set()
