"""Where messages wait between a broker's thread and ours: those that came, and those that are to go out.

Knows neither a protocol nor what a message means.
"""

import threading
import time
from collections import OrderedDict, deque
from collections.abc import Sequence
from typing import NamedTuple

from service.ingest import Message

QUIET_S = 0.005  # nothing more came for so long: hand over what there is, the broker's window may be full
WAITING_BYTES_MAX = 64 * 1024 * 1024  # of payloads not yet taken; beyond, we stop reading
OUT_TOPICS_MAX = 10_000  # topics with something yet to publish; beyond, the oldest is given up
OUT_IN_FLIGHT_MAX = 20


class Publication(NamedTuple):
    """What is to be published under a topic."""

    payload: bytes
    retain: bool
    qos: int


class InTray:
    """Messages received and not yet taken, and the order in which taken ones may be acknowledged.

    The broker's thread puts, one other thread takes; deque's own operations need no lock between two such.
    """

    def __init__(self, messages_max: int) -> None:
        self._messages_max = messages_max
        self._waiting: deque[Message] = deque()
        self._taken: deque[int] = deque()  # arrivals handed out and not acknowledged, oldest first
        self._bytes_in = self._bytes_out = 0  # each written by one thread only
        self._arrivals = 0
        self._wanted = 1
        self._came = threading.Condition()
        self._closed = False
        self._was_full = False
        self.acknowledged = 0  # all arrivals up to this one are safe

    def __len__(self) -> int:
        return len(self._waiting)

    @property
    def unacknowledged(self) -> int:
        """Handed out and not acknowledged."""
        return len(self._taken)

    def put(self, topic: str, payload: bytes, content_type: str | None) -> int:
        """Add a message and return its arrival number."""
        self._arrivals += 1
        self._bytes_in += len(payload)
        self._waiting.append(Message(topic, payload, content_type, self._arrivals))
        return self._arrivals

    def tell(self) -> None:
        """Wake the taker if what it waits for is there. Once a burst, not once a message."""
        with self._came:
            if self._is_enough():
                self._came.notify()

    def take(self, messages_max: int, timeout_s: float) -> list[Message]:
        """Return so many messages at most, after waiting so long at most for the first of them."""
        self._wait_for(messages_max, timeout_s)
        messages = [self._waiting.popleft() for _ in range(min(messages_max, len(self._waiting)))]
        self._bytes_out += sum(len(message.payload) for message in messages)
        self._taken.extend(message.arrival for message in messages)
        return messages

    def _wait_for(self, messages_max: int, timeout_s: float) -> None:
        end_s = time.monotonic() + timeout_s
        before = 0
        while not self._closed:
            there = len(self._waiting)
            left_s = end_s - time.monotonic()
            if there >= messages_max or left_s <= 0 or 0 < there == before:
                return
            before = there
            with self._came:
                self._wanted = messages_max if there else 1
                self._came.wait_for(self._is_enough, min(left_s, QUIET_S) if there else left_s)

    def _is_enough(self) -> bool:
        return self._closed or len(self._waiting) >= self._wanted

    def acknowledge(self, messages: Sequence[Message]) -> None:
        """Note the oldest of those handed out as safe. Raises ValueError where they are not the oldest."""
        for message, arrival in zip(messages, self._taken, strict=False):
            if message.arrival != arrival:
                raise ValueError(f"message {message.arrival} is acknowledged before message {arrival}")
        if len(messages) > len(self._taken):
            raise ValueError(f"{len(messages)} messages acknowledged, {len(self._taken)} were handed out")
        for _ in messages:
            self._taken.popleft()
        self.acknowledged = messages[-1].arrival

    def give_back(self, messages: Sequence[Message]) -> None:
        """Take the newest of those handed out back, to be taken again. Raises ValueError where they are not the newest."""
        if [message.arrival for message in messages] != list(self._taken)[len(self._taken) - len(messages) :]:
            raise ValueError(
                "only the messages received last can be released, all that follow the first of them"
            )
        for message in reversed(messages):
            self._taken.pop()
            self._waiting.appendleft(message)
            self._bytes_out -= len(message.payload)

    def is_full(self) -> bool:
        """Whether to stop reading: yes at the limit, and then until half of it is free again."""
        share = max(
            len(self._waiting) / self._messages_max, (self._bytes_in - self._bytes_out) / WAITING_BYTES_MAX
        )
        self._was_full = share >= (0.5 if self._was_full else 1.0)
        return self._was_full

    @property
    def room(self) -> int:
        """So many messages more, and never less than one, so that other packets get through."""
        return max(1, self._messages_max - len(self._waiting))

    def has_room_again(self) -> bool:
        """Whether reading had stopped and may go on."""
        return self._was_full and not self.is_full()

    @property
    def holding_back(self) -> bool:
        """Whether reading has stopped."""
        return self._was_full

    def close(self) -> None:
        """Let nobody wait any more."""
        with self._came:
            self._closed = True
            self._came.notify()


class OutTray:
    """The newest publication of each topic that is not sent yet, the one that waits longest first."""

    def __init__(self) -> None:
        self._waiting: OrderedDict[str, Publication] = OrderedDict()
        self._lock = threading.Lock()

    def __len__(self) -> int:
        return len(self._waiting)

    def put(self, topic: str, publication: Publication) -> None:
        """Add one in place of an older one of its topic; beyond `OUT_TOPICS_MAX` topics the oldest is given up."""
        with self._lock:
            self._waiting[topic] = publication
            if len(self._waiting) > OUT_TOPICS_MAX:
                self._waiting.popitem(last=False)

    def put_back(self, topic: str, publication: Publication) -> None:
        """After a connection was lost, unless there is a newer one."""
        with self._lock:
            if topic not in self._waiting:
                self._waiting[topic] = publication
                self._waiting.move_to_end(topic, last=False)

    def pop(self) -> tuple[str, Publication] | None:
        """Return topic and publication of the one that waits longest, None where none does."""
        with self._lock:
            return self._waiting.popitem(last=False) if self._waiting else None
