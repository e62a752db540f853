"""What a drive may still send: so that one that floods costs the others no more than a look at its topic.

A rate alone would not do: after an outage a device rightly sends a day of batches at once. What tells a backlog from a
flood is the device's OWN time. A batch about time that no batch of the drive was about yet pays for itself, however many
come at once; the same window again, windows that overlap, garbage and what is nobody's time are paid from a purse that
holds a large burst and fills by our clock.

Knows tokens and stretches of own time; must not know messages, topics or what is done with what is refused.
"""

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from itertools import pairwise
from operator import itemgetter

NS_PER_S = 1_000_000_000
BYTES_A_TOKEN = 32 * 1024  # a larger payload costs as many as it has of these: reading it takes as long
SPANS_MAX = 32  # stretches of own time remembered; beyond, the two with the least between them become one

Span = tuple[int, int]  # from, to: instants, ns; from < to
Spans = tuple[Span, ...]  # in order, none touching the next
_START, _END = itemgetter(0), itemgetter(1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What is allowed. Common practice, no source: the wire contract's usual windows are 1 s to 60 s."""

    per_s: float  # batches for each second of own time, and tokens for each second of ours
    burst: float  # tokens that the purse holds
    backlog_ns: int  # own time that lies further back pays for nothing

    def __post_init__(self) -> None:
        if self.per_s <= 0 or self.burst < 1 or self.backlog_ns <= 0:
            raise ValueError(f"{self}: per_s and backlog_ns must be above 0, burst 1 or more")


@dataclass(frozen=True, slots=True)
class Allowance:
    """How one drive stands. `tokens` may be below 0: what a message costs is known once it was read."""

    tokens: float
    as_of_ns: int
    spans: Spans = ()  # of own time that batches were about


def full(terms: Terms, now_ns: int) -> Allowance:
    """The allowance of a drive that was not heard yet."""
    return Allowance(terms.burst, now_ns)


def tokens_at(allowance: Allowance, terms: Terms, now_ns: int) -> float:
    """Return the tokens there are now. A clock that went back adds none."""
    elapsed_s = max(0, now_ns - allowance.as_of_ns) / NS_PER_S
    return min(terms.burst, allowance.tokens + elapsed_s * terms.per_s)


def may_be_read(allowance: Allowance, terms: Terms, now_ns: int) -> bool:
    """Whether the next message is worth reading at all."""
    return tokens_at(allowance, terms, now_ns) >= 1


def after_reading(
    allowance: Allowance, terms: Terms, now_ns: int, *, payload_bytes: int, own_time: Span | None
) -> Allowance:
    """Return the allowance after a message that was read.

    A message costs a token, a large one more, and gets back `per_s` tokens for each second of own time that is new, no
    more than it cost. A window shorter than 1 / per_s, such as that of a drive that stands, is about so long.

    Args:
        allowance: before it.
        terms: of the drive.
        now_ns: by our clock.
        payload_bytes: of the message.
        own_time: from the start of its window to the end, which may be the start; None where it is no batch.
    """
    cost = max(1.0, payload_bytes / BYTES_A_TOKEN)
    spans, new_ns = allowance.spans, 0
    if own_time is not None:
        from_ns = max(own_time[0], now_ns - terms.backlog_ns)
        to_ns = max(own_time[1], own_time[0] + round(NS_PER_S / terms.per_s))
        if from_ns < to_ns:
            spans, new_ns = _with(spans, from_ns, to_ns)
    back = min(cost, new_ns / NS_PER_S * terms.per_s)
    return Allowance(tokens_at(allowance, terms, now_ns) - cost + back, now_ns, spans)


def _with(spans: Spans, from_ns: int, to_ns: int) -> tuple[Spans, int]:
    """Return the stretches with one more, and how much of it is new, in ns."""
    first = bisect_left(spans, from_ns, key=_END)
    last = bisect_right(spans, to_ns, first, key=_START)
    touched = spans[first:last]
    if not touched:
        return _bounded((*spans[:first], (from_ns, to_ns), *spans[first:])), to_ns - from_ns
    known_ns = sum(min(end, to_ns) - max(start, from_ns) for start, end in touched)
    joined = (min(from_ns, touched[0][0]), max(to_ns, touched[-1][1]))
    return (*spans[:first], joined, *spans[last:]), to_ns - from_ns - known_ns


def _bounded(spans: Spans) -> Spans:
    """Return at most SPANS_MAX: what lies between two is then taken as known, which only costs tokens."""
    if len(spans) <= SPANS_MAX:
        return spans
    gaps = [after[0] - before[1] for before, after in pairwise(spans)]
    at = gaps.index(min(gaps))
    return (*spans[:at], (spans[at][0], spans[at + 1][1]), *spans[at + 2 :])
