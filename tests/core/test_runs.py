"""Batches that follow each other, joined."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensors_sim.batch import simulate_batch
from service.core.batch import Batch
from service.core.lag import Lag, measure_lag
from service.core.runs import follows, gap_ns, joined, lap_pieces, period_ns, unbroken

S = 10**9
MADE = simulate_batch(offset_pitches=0.4, duration_s=30.0, seed=2)


def cut(window_s: float, tick_ns: int = 1000) -> list[Batch]:
    """One long capture, cut into windows as a device sends them."""
    ticks = round(window_s * S / tick_ns)
    return [
        Batch(
            drive_id="d",
            seq=number,
            t0_ns=MADE.t0_ns + start * tick_ns,
            tick_ns=tick_ns,
            up=MADE.up[(MADE.up > start) & (MADE.up <= start + ticks)] - start,
            down=MADE.down[(MADE.down > start) & (MADE.down <= start + ticks)] - start,
            span_ns=ticks * tick_ns,
            load_n=100.0 * number,
            up_on_us=5000.0 + number,
        )
        for number, start in enumerate(range(0, MADE.span_ticks, ticks))
    ]


@given(window_s=st.floats(0.5, 12))
def test_windows_joined_are_the_capture_they_were_cut_from(window_s: float) -> None:
    (run,) = unbroken(reversed(cut(window_s)))
    whole = joined(run)
    assert np.array_equal(whole.up, MADE.up)
    assert np.array_equal(whole.down, MADE.down)
    assert whole.t0_ns == MADE.t0_ns
    assert whole.load_n == pytest.approx(50.0 * (len(run) - 1))
    assert whole.temp_c is None
    assert whole.up_on_us == pytest.approx(5000 + (len(run) - 1) / 2)
    assert whole.down_on_us is None


@given(jitter=st.lists(st.integers(-500, 500), min_size=30, max_size=30))
def test_a_t0_rounded_to_a_microsecond_moves_no_lag(jitter: list[int]) -> None:
    batches = [
        dataclasses.replace(each, t0_ns=each.t0_ns + by) for each, by in zip(cut(1.0), jitter, strict=True)
    ]
    (run,) = unbroken(batches)
    moved, straight = measure_lag(joined(run), 120), measure_lag(joined(cut(1.0)), 120)
    assert isinstance(moved, Lag)
    assert isinstance(straight, Lag)
    assert moved.pitches == pytest.approx(straight.pitches, abs=1e-5)


def test_a_window_that_is_missing_breaks_the_run() -> None:
    batches = cut(1.0)
    del batches[10]
    assert [len(run) for run in unbroken(batches)] == [10, 19]


@pytest.mark.parametrize(
    "change",
    [
        {"device_id": "other"},
        {"seq": 9},
        {"t0_ns": MADE.t0_ns + S + 10_000_000},
        {"tick_ns": 999},
        {"direction": -1},
    ],
)
def test_what_does_not_follow_is_not_joined(change: dict[str, int | str]) -> None:
    first, second = cut(1.0)[:2]
    assert follows(first, second)
    assert not follows(first, dataclasses.replace(second, **change))  # type: ignore[arg-type]


def test_without_a_span_nobody_knows_what_lies_between() -> None:
    first, second = (dataclasses.replace(each, span_ns=None) for each in cut(1.0)[:2])
    assert gap_ns(first, second) is None
    assert not follows(first, second)


def test_pieces_hold_a_lap_each() -> None:
    pieces = list(lap_pieces(cut(1.0), 120))
    assert len(pieces) == 15  # of 1 s at 78 joints a second two make a lap
    for piece in pieces:
        lag = measure_lag(piece, 120)
        assert isinstance(lag, Lag)
        assert lag.whole_laps == 1
    assert [len(piece.up) for piece in lap_pieces(cut(10.0), 120)] == [len(each.up) for each in cut(10.0)]


def test_the_period_is_that_of_the_sensor_with_fewer_pulses() -> None:
    assert period_ns(cut(1.0)[0]) == pytest.approx(12.7e6 * 1.01, rel=0.01)
    assert period_ns(dataclasses.replace(cut(1.0)[0], down=np.zeros(1, dtype=np.int64))) is None
