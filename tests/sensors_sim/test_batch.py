"""One batch in one call."""

import time

import numpy as np
import pytest

from sensors_sim.batch import simulate_batch
from sensors_sim.motion import Motion


def test_a_batch_holds_the_laps_asked_for_and_tells_the_truth() -> None:
    batch = simulate_batch(
        pitch_mm=19.05,
        whole_pitches=20,
        offset_pitches=0.3,
        elongation_pct=2.0,
        pitches_in_loop=100,
        laps=2.0,
        speed_m_s=1.5,
    )
    assert len(batch.up) == pytest.approx(200, abs=1)
    assert batch.true_elongation_pct == pytest.approx(2.0)
    assert batch.true_pitches_between == pytest.approx(20.3 / 1.02)
    assert batch.true_speed_m_s == pytest.approx(1.5, rel=1e-9)
    assert batch.span_ticks * batch.tick_ns / 1e9 == pytest.approx(2 * 100 * 19.05 * 1.02 / 1500, abs=1e-6)
    assert batch.up.dtype == batch.down.dtype == np.int64


def test_a_motion_of_ones_own_needs_its_duration() -> None:
    with pytest.raises(ValueError, match="duration_s"):
        simulate_batch(motion=Motion.constant(1))
    batch = simulate_batch(motion=Motion.ramp(0.5, 1.5, over_s=4), duration_s=4)
    assert batch.true_speed_m_s == pytest.approx(1.0)


def test_the_seed_draws_the_phase_of_the_chain() -> None:
    first = {int(simulate_batch(seed=seed).up[0]) // 1000 for seed in range(30)}
    assert len(first) > 8


def test_a_batch_of_several_hundred_joints_costs_milliseconds_at_most() -> None:
    """Accuracy tests make thousands; measured 0.6 ms on two shared cores, so ten times that is a fault, not noise."""
    simulate_batch(laps=3)
    begin = time.process_time()
    for seed in range(50):
        assert len(simulate_batch(laps=3, seed=seed, missed=0.05, doubled=0.02).up) > 300
    assert (time.process_time() - begin) / 50 < 6e-3
