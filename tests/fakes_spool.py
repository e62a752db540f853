"""A spool in memory. It passes the same contract tests as the one in a file (tests/contracts/test_spool.py)."""

from collections.abc import Sequence

from service.ingest import Message, SpoolError, SpoolStatus


class FakeSpool:
    """Set `full` to have it take nothing more, `unreadable` to have it give nothing."""

    def __init__(self) -> None:
        self.full = self.unreadable = False
        self._waiting: list[Message] = []
        self._last = 0
        self._trouble = ""

    def put(self, messages: Sequence[Message], received_ns: int) -> None:
        self._refuse_if(self.full, "it is full")
        for message in messages:
            self._last += 1
            at_ns = received_ns if message.received_ns is None else message.received_ns
            self._waiting.append(message._replace(arrival=self._last, received_ns=at_ns))

    def oldest(self, messages_max: int, *, after: int = 0) -> list[Message]:
        self._refuse_if(self.unreadable, "it cannot be read")
        return [message for message in self._waiting if message.arrival > after][:messages_max]

    def drop(self, messages: Sequence[Message]) -> None:
        if messages:
            assert list(messages) == self._waiting[: len(messages)]
            del self._waiting[: len(messages)]

    def status(self) -> SpoolStatus:
        return SpoolStatus(
            messages=len(self._waiting),
            bytes=sum(len(message.payload) for message in self._waiting),
            since_ns=self._waiting[0].received_ns if self._waiting else None,
            trouble=self._trouble,
            set_aside=(),
        )

    def _refuse_if(self, refuses: bool, why: str) -> None:  # noqa: FBT001
        self._trouble = why if refuses else ""
        if refuses:
            raise SpoolError(why)
