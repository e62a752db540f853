"""Batches that follow each other without a break, joined: what one window is too short to show.

Knows batches and their clock; must not know lags.
"""

from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from service.core.batch import Batch, Ticks

# Of the mean time from joint to joint: two windows that lie so close follow each other, and no joint was lost between.
# A t0 that is sent in whole microseconds is rounded, and a clock that is set right moves it.
CLOSE_PERIODS = 0.25


def period_ns(batch: Batch) -> float | None:
    """Return the mean time from pulse to pulse of the sensor that has fewer, nanoseconds; None with less than two."""
    fewer = min(batch.up, batch.down, key=len)
    if len(fewer) < 2 or fewer[-1] <= fewer[0]:
        return None
    return float(fewer[-1] - fewer[0]) / (len(fewer) - 1) * batch.tick_ns


def gap_ns(before: Batch, after: Batch) -> int | None:
    """Return the time between two windows, below zero where they overlap; None where nobody said how long they are."""
    return None if before.span_ns is None else after.t0_ns - (before.t0_ns + before.span_ns)


def follows(before: Batch, after: Batch) -> bool:
    """Return whether the second batch takes up where the first one ends: same device, next number, no time between."""
    period, gap = period_ns(before), gap_ns(before, after)
    same = (before.device_id, before.tick_ns, before.direction) == (
        after.device_id,
        after.tick_ns,
        after.direction,
    )
    if not same or after.seq != before.seq + 1 or gap is None or period is None:
        return False
    return abs(gap) <= CLOSE_PERIODS * period


def unbroken(batches: Iterable[Batch]) -> list[list[Batch]]:
    """Return the batches in the order of time, those that follow each other together."""
    runs: list[list[Batch]] = []
    for batch in sorted(batches, key=lambda each: (each.t0_ns, each.seq)):
        if runs and follows(runs[-1][-1], batch):
            runs[-1].append(batch)
        else:
            runs.append([batch])
    return runs


def joined(run: Sequence[Batch]) -> Batch:
    """Return one batch that holds the pulses of a run, its ticks counted from the first one's t0.

    Pulses keep their order: where two windows overlap by a tick, the later pulse is moved to the earlier one's.
    """
    first, last = run[0], run[-1]
    if len(run) == 1:
        return first
    starts = [round((each.t0_ns - first.t0_ns) / first.tick_ns) for each in run]
    return Batch(
        drive_id=first.drive_id,
        seq=first.seq,
        t0_ns=first.t0_ns,
        tick_ns=first.tick_ns,
        up=_in_order([start + each.up for start, each in zip(starts, run, strict=True)]),
        down=_in_order([start + each.down for start, each in zip(starts, run, strict=True)]),
        span_ns=last.end_ns - first.t0_ns,
        direction=first.direction,
        temp_c=_mean(each.temp_c for each in run),
        mount_c=_mean(each.mount_c for each in run),
        load_n=_mean(each.load_n for each in run),
        device_id=first.device_id,
        up_on_us=_mean(each.up_on_us for each in run),
        down_on_us=_mean(each.down_on_us for each in run),
    )


def lap_pieces(run: Sequence[Batch], pitches_in_loop: int) -> Iterator[Batch]:
    """Yield the run in pieces that hold a lap each and no more batches than that takes; what is left over is dropped."""
    piece: list[Batch] = []
    for batch in run:
        piece.append(batch)
        if sum(min(len(each.up), len(each.down)) for each in piece) >= pitches_in_loop + 3:
            yield joined(piece)
            piece = []


def _in_order(parts: Sequence[Ticks]) -> Ticks:
    return np.maximum.accumulate(np.concatenate(parts))


def _mean(values: Iterable[float | None]) -> float | None:
    """The mean; None where any is not known."""
    known = list(values)
    if any(each is None for each in known):
        return None
    return sum(each for each in known if each is not None) / len(known)
