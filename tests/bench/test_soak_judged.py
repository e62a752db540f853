"""What the soak's own arithmetic says of samples that are made to grow, or not to."""

import random
from itertools import pairwise

import pytest

from tests.bench.soak_judged import (
    FAULTS_UNTIL,
    JUDGED_S,
    KILLS,
    KILLS_UNTIL,
    LASTING,
    SETTLE_S,
    WARM_S,
    Fault,
    Life,
    Sample,
    Window,
    latency_slope,
    latency_table,
    planned,
    slope,
)


def life(mb_per_h: float, *, seed: int = 1, lasts_s: float = 3600.0) -> Life:
    """A process whose memory settles within minutes, scatters by half a megabyte, and grows by so much."""
    rng = random.Random(seed)
    made = Life("worker", 1, 0.0)
    for t_s in range(0, int(lasts_s), 10):
        warming = -20.0 * max(0.0, 1 - t_s / WARM_S)
        rss_mb = 100.0 + warming + mb_per_h * t_s / 3600 + rng.gauss(0, 0.5)
        made.samples.append(Sample(float(t_s), rss_mb, rss_mb, 20, 12, t_s / 10))
    return made


def test_memory_that_grows_is_found_however_the_process_warmed_up() -> None:
    found = life(6.0).judged("rss_mb")
    assert found is not None
    assert found.low < 6.0 < found.high
    assert not found.is_flat


def test_memory_that_stays_is_called_flat_in_nearly_all_runs() -> None:
    judged = [life(0.0, seed=seed).judged("rss_mb") for seed in range(100)]
    assert sum(each is not None and each.is_flat for each in judged) >= 95


def test_a_process_that_lived_too_short_is_not_judged() -> None:
    assert life(6.0, lasts_s=WARM_S + JUDGED_S - 120).judged("rss_mb") is None


def test_few_values_have_no_slope() -> None:
    assert slope([1.0, 2.0], [1.0, 2.0]) is None


@pytest.mark.parametrize("minutes", [3.0, 60.0])
@pytest.mark.parametrize("seed", range(20))
def test_every_kind_of_fault_comes_one_at_a_time_and_then_none(seed: int, minutes: float) -> None:
    plan = planned(seed, minutes)
    assert {each.fault for each in plan} == set(Fault)
    assert all(after.at_s >= before.at_s + before.lasts_s for before, after in pairwise(plan))
    assert plan == planned(seed, minutes)
    if minutes == 60:
        assert all(each.at_s + each.lasts_s <= FAULTS_UNTIL * 3600 for each in plan)
        late_s = KILLS_UNTIL * 3600 + 120
        assert all(each.at_s <= late_s for each in plan if each.fault in KILLS)
        assert 3600 - late_s > WARM_S + JUDGED_S
        assert all(each.lasts_s == 20 for each in plan if each.fault in LASTING)


def test_latency_that_met_a_fault_is_told_apart_from_that_which_did_not() -> None:
    windows = [Window(100.0, 120.0, Fault.PAUSE_WORKER)]
    seen = [(float(t_s), 20.0 if 100 <= t_s <= 120 else 1.0) for t_s in range(600)]
    assert latency_table(seen, windows).splitlines()[2] == (
        f"| 0 to 5 | {300 - 26 - int(SETTLE_S)} | 1.00 | 1.00 | 1.00 | {26 + int(SETTLE_S)} | 1.00 | 20.00 | 20.00 |"
    )
    found = latency_slope(seen, windows)
    assert found is not None
    assert found.per_h == pytest.approx(0.0)


def test_latency_that_creeps_up_is_found() -> None:
    rng = random.Random(3)
    seen = [(float(t_s), 1.0 + t_s / 3600 + rng.uniform(-0.5, 0.5)) for t_s in range(3600)]
    found = latency_slope(seen, [])
    assert found is not None
    assert not found.is_flat
    assert found.per_h == pytest.approx(1.0, abs=0.2)
