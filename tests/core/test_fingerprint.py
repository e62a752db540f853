"""Order, whole pitches and loop from the links' own lengths: against the simulator's truth, and never sure of a wrong one."""

from collections import Counter
from itertools import pairwise

import numpy as np
import pytest

from sensors_sim.batch import SimulatedBatch, simulate_batch
from sensors_sim.motion import Motion
from service.core.fingerprint import Match, Run, match_links, repeating_joints


def simulated(**setting: object) -> SimulatedBatch:
    given = {"offset_pitches": 0.4, "elongation_pct": 0.06, "manufacture_pct": 0.06, "duration_s": 120.0}
    return simulate_batch(**given | setting)  # type: ignore[arg-type]


def run_of(made: SimulatedBatch) -> Run:
    tick_s = made.tick_ns * 1e-9
    return np.multiply(made.up, tick_s, dtype=np.float64), np.multiply(made.down, tick_s, dtype=np.float64)


def match(run: Run, loop: int = 120, asked: float = 24.4) -> Match:
    found = match_links([run], loop, asked)
    assert found is not None
    return found


UNEVEN = {
    "new chain": {},
    "worn chain": {"elongation_pct": 1.5},
    "pulses missed and doubled": {"missed": 0.01, "doubled": 0.005},
    "an eccentric sprocket": {"motion": Motion.drift(1.0, swing=0.005, period_s=19 * 0.0127)},
    "a motor that hunts": {"motion": Motion.wander(1.0, spread=0.02, correlation_s=0.3, seed=3)},
    "a speed that is changed": {"motion": Motion.ramp(0.5, 1.5, over_s=10, hold_s=10)},
}


@pytest.mark.parametrize("setting", UNEVEN.values(), ids=UNEVEN.keys())
def test_the_links_tell_whole_pitches_and_order_and_are_never_sure_of_a_wrong_one(
    setting: dict[str, object],
) -> None:
    told: Counter[str] = Counter()
    for seed in range(12):
        rng = np.random.default_rng((seed, 1))
        n = int(rng.integers(8, 36))
        loop, over = 2 * int(rng.integers(max(45, 3 * n // 2), 90)), float(rng.random())
        made = simulated(whole_pitches=n, offset_pitches=over, pitches_in_loop=loop, seed=seed, **setting)
        up, down = run_of(made)
        for run, sign in (((up, down), 1), ((down, up), -1)):
            found = match(run, loop, n + over)
            right = abs(found.pitches - sign * made.true_pitches_between) < 0.05
            told["sure" if found.sure else "unsure", right] += 1  # type: ignore[index]
    assert told["sure", False] == 0  # type: ignore[index]
    assert told["sure", True] >= 15  # type: ignore[index]  # of 24; the others go on waiting


def test_a_wrong_n_in_the_register_does_not_mislead_the_links() -> None:
    for asked in (10.0, 23.4, 25.4, 40.0):
        found = match(run_of(simulated(duration_s=180)), asked=asked)
        assert found.sure
        assert found.pitches == pytest.approx(24.38, abs=0.02)


def test_chance_alone_is_never_sure() -> None:
    """Links all alike: only the scatter of the sensors is left, and there is nothing to match. 200 tries."""
    sure = 0
    for seed in range(200):
        rng = np.random.default_rng((seed, 2))
        joints = np.arange(2000) * 0.0127
        up, down = (joints + rng.normal(0, 5e-5, 2000) + shift for shift in (0.0, 0.4 * 0.0127))
        found = match_links([(up, down)], 120, 24.4)
        sure += found is not None and found.sure
    assert sure <= 1


def test_what_is_common_to_both_sensors_is_no_order() -> None:
    """The speed alone is uneven, with any period: it matches N later as well as N earlier."""
    sure = 0
    for seed in range(60):
        rng = np.random.default_rng((seed, 3))
        fine = np.linspace(0, 20, 200_001)
        rate = 100 * (1 + 0.01 * np.sin(2 * np.pi * fine * rng.uniform(2, 20) + rng.uniform(0, 6)))
        count = np.concatenate(([0.0], np.cumsum(rate[1:] * np.diff(fine))))
        up = np.interp(np.arange(1, 1900), count, fine) + rng.normal(0, 5e-5, 1899)
        down = np.interp(np.arange(1, 1900) + 0.4, count, fine) + rng.normal(0, 5e-5, 1899)
        found = match_links([(up, down)], 120, 24.4)
        sure += found is not None and found.sure
    assert sure <= 1


def test_runs_add_up() -> None:
    up, down = run_of(simulated(duration_s=240, seed=5))
    cut = np.arange(0, 241, 30)
    parts = [
        (up[slice(*up.searchsorted((a, b)))], down[slice(*down.searchsorted((a, b)))])
        for a, b in pairwise(cut)
    ]
    alone, together = match(parts[0]), match_links(parts, 120, 24.4)
    assert together is not None
    assert together.sure
    assert together.strength > 1.25 * alone.strength
    assert together.joints > 7 * alone.joints


def test_a_run_shorter_than_a_lap_tells_nothing() -> None:
    assert match_links([run_of(simulated(duration_s=1.3))], 120, 24.4) is None
    assert match_links([], 120, 24.4) is None
    assert match_links([(np.zeros(0), np.zeros(0))], 120, 24.4) is None


def test_a_stop_ends_a_run() -> None:
    """How many joints crept past while the drive stood is not known; the rows on either side stand alone."""
    made = simulated(motion=Motion.start_stop(1.0, run_s=30, stand_s=5), duration_s=140.0)
    found = match(run_of(made))
    assert found.sure
    assert found.pitches == pytest.approx(24.38, abs=0.02)


@pytest.mark.parametrize("miscount", [-4, -2, -1, 0, 1, 2, 6])
def test_a_miscounted_loop_is_told(miscount: int) -> None:
    right = 0
    for seed in range(5):
        made = simulated(seed=seed, pitches_in_loop=112 + 4 * seed)
        right += repeating_joints([run_of(made)], 112 + 4 * seed + miscount, (19, 57)) == 112 + 4 * seed
    assert right == 5


def test_a_chain_of_like_links_does_not_repeat() -> None:
    made = simulated(tolerance_pct=0.0, wear_spread=0.0)
    assert repeating_joints([run_of(made)], 120) is None
    assert repeating_joints([run_of(simulated(duration_s=5))], 120) is None
