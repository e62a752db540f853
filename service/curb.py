"""Keeps what each drive may still send, and how much of it was not read, until that is told.

Knows the allowances by name and when a count is due to be told; must not know messages, topics or the store. One thread
uses it. What it holds is bounded: a name for each registered drive, one for its status, and one for all that is nobody's.
"""

from dataclasses import dataclass, replace

from service.core.allowance import Allowance, Span, Terms, after_reading, full, may_be_read

NS_PER_S = 1_000_000_000
NOBODYS = ""  # the name under which all is counted that comes for no registered drive
NOBODYS_SHARE = (
    10  # as many tokens a second as so many drives: devices of a new line come before their registration
)
TELL_NS = 60 * NS_PER_S  # a count is told so often, at most


@dataclass(frozen=True, slots=True)
class Unread:
    """Messages under one name that were not read, since they were last told of."""

    name: str
    messages: int
    payload_bytes: int
    since_ns: int
    topic: str  # of the last of them
    goes_on: bool  # told of before


@dataclass(slots=True)
class _Count:
    told_ns: int
    messages: int = 0
    payload_bytes: int = 0
    topic: str = ""


class Curb:
    """Says which messages are worth reading, and counts the others."""

    def __init__(self, terms: Terms) -> None:
        """Nothing was heard yet. terms: of each drive."""
        self._terms = terms
        self._nobodys = replace(terms, per_s=terms.per_s * NOBODYS_SHARE)
        self._allowances: dict[str, Allowance] = {}
        self._counts: dict[str, _Count] = {}

    def lets_read(self, name: str, now_ns: int) -> bool:
        """Whether the next message under a name is to be read."""
        terms = self._terms_of(name)
        return may_be_read(self._allowances.get(name) or full(terms, now_ns), terms, now_ns)

    def was_read(self, name: str, now_ns: int, *, payload_bytes: int, own_time: Span | None) -> None:
        """A message was read; own_time is that of its batch, None where it held none. See `after_reading`."""
        terms = self._terms_of(name)
        before = self._allowances.get(name) or full(terms, now_ns)
        own = None if name == NOBODYS else own_time  # many share that name, and no time is theirs
        self._allowances[name] = after_reading(
            before, terms, now_ns, payload_bytes=payload_bytes, own_time=own
        )

    def refuse(self, name: str, now_ns: int, payload_bytes: int, topic: str) -> Unread | None:
        """Count a message that is not read. Returns what is to be told: of the first at once, then once a minute."""
        count = self._counts.get(name)
        if count is None:
            self._counts[name] = _Count(now_ns)
            return Unread(name, 1, payload_bytes, now_ns, topic, goes_on=False)
        count.topic = topic
        count.messages += 1
        count.payload_bytes += payload_bytes
        return None

    def is_due(self, now_ns: int) -> bool:
        """Whether some count is to be told now."""
        return any(count.messages and self._is_old(count, now_ns) for count in self._counts.values())

    def untold(self, now_ns: int, *, all_of_them: bool = False) -> list[Unread]:
        """Return the counts that are due to be told, and count anew. A name of which none came for a minute is over."""
        told = []
        for name, count in list(self._counts.items()):
            if not all_of_them and not self._is_old(count, now_ns):
                continue
            if count.messages:
                told.append(
                    Unread(
                        name, count.messages, count.payload_bytes, count.told_ns, count.topic, goes_on=True
                    )
                )
                self._counts[name] = _Count(now_ns)
            else:
                del self._counts[name]
        return told

    @staticmethod
    def _is_old(count: _Count, now_ns: int) -> bool:
        return abs(now_ns - count.told_ns) >= TELL_NS

    def _terms_of(self, name: str) -> Terms:
        return self._nobodys if name == NOBODYS else self._terms
