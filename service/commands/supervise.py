"""Running several parts in one process: all together, or none.

Knows threads and signals; must not know what the parts do. A part that ends before it was told to takes
the process with it, with exit code 1, so that a supervisor starts all of it anew: a half-dead process
that looks well would show old numbers.
"""

import math
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from types import FrameType

import structlog

log = structlog.get_logger()

STOP_SIGNALS = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)
)


LOOK_S = 0.5  # from one look whether a signal came to the next


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One thing that runs until it is told to stop.

    `run` blocks; it returns after `stop`, or raises. `stop` may be called from any thread, more than once,
    and before `run` has begun.
    """

    name: str
    run: Callable[[], None]
    stop: Callable[[], None]


def run_parts(parts: Sequence[Part], *, minutes: float | None = None, grace_s: float = 20.0) -> int:
    """Run all parts until a signal (or the time) ends them; return the process's exit code.

    0 where a signal or the time ended them and all stopped within `grace_s` each; 1 where a part ended by
    itself or would not stop. Parts start in order and stop in reverse. A second signal ends the process at once.
    """
    ended: list[str] = []  # by themselves, with whatever went wrong already logged
    wake = threading.Event()

    def body(part: Part) -> None:
        try:
            part.run()
        except Exception:
            log.exception("part failed", part=part.name)
        finally:
            ended.append(part.name)
            wake.set()

    threads = [threading.Thread(target=body, args=(part,), name=part.name, daemon=True) for part in parts]
    with stop_signals_set(wake):
        for thread in threads:
            thread.start()
        _wait(wake, None if minutes is None else minutes * 60)
        too_early = list(ended)
        stuck = [
            part.name for part, thread in _last_first(parts, threads) if not _stopped(part, thread, grace_s)
        ]
    for name in too_early:
        log.error("stopped because a part ended", part=name)
    for name in stuck:
        log.error("part did not stop in time", part=name, grace_s=grace_s)
    return 1 if too_early or stuck else 0


def _wait(wake: threading.Event, at_most_s: float | None) -> None:
    """Wait in short pieces: a signal that comes to another thread, or just before the wait begins, interrupts no wait.

    Its handler runs when the main thread runs again, which in one long wait would be never.
    """
    end_s = math.inf if at_most_s is None else time.monotonic() + at_most_s
    while not wake.wait(max(0.0, min(LOOK_S, end_s - time.monotonic()))) and time.monotonic() < end_s:
        pass


def _last_first(
    parts: Sequence[Part], threads: Sequence[threading.Thread]
) -> Iterator[tuple[Part, threading.Thread]]:
    return zip(reversed(parts), reversed(threads), strict=True)


def _stopped(part: Part, thread: threading.Thread, grace_s: float) -> bool:
    part.stop()
    thread.join(grace_s)
    return not thread.is_alive()


@contextmanager
def stop_signals_set(wake: threading.Event) -> Iterator[None]:
    """Let the first signal set `wake`, and the second end the process: somebody is waiting for a prompt.

    Only in the main thread.
    """

    def on_signal(number: int, _frame: FrameType | None) -> None:
        if wake.is_set():
            os._exit(128 + number)
        wake.set()

    before = {number: signal.signal(number, on_signal) for number in STOP_SIGNALS}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
