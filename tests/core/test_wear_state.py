"""The bank of filters against exact Gaussian conditioning, simulation, and wear with a known course."""

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.core import wear_state
from service.core.wear_state import (
    BINS,
    EPOCHS_MAX,
    GROWTHS,
    Bank,
    Observation,
    as_share,
    as_wear,
    fit_bank,
    join,
    newest_epochs,
    passage_of_bank,
)

Floats = npt.NDArray[np.float64]


def read(
    clock: float,
    pct: float,
    u: float = 0.02,
    *,
    common: float = 0.0,
    epoch: str = "a",
    t_ns: int | None = None,
) -> Observation:
    return Observation(
        clock=clock, t_ns=round(clock * 1000) if t_ns is None else t_ns, hours=clock, elongation_pct=pct,
        u_independent_pct=u, u_common_pct=common, epoch=epoch,
    )  # fmt: skip


def line(count: int, rate: float = 0.01, seed: int = 1, u: float = 0.02) -> list[Observation]:
    rng = np.random.default_rng(seed)
    return [read(float(n), 0.1 + rate * n + float(rng.normal(0, u)), u) for n in range(1, count + 1)]


def mean(bank: Bank, values: Floats) -> float:
    return float(bank.weight @ values)


@given(st.floats(-0.2, 1.5), st.sampled_from(GROWTHS))
def test_a_growth_law_and_its_inverse(share: float, growth: float) -> None:
    wear = as_wear(share, growth)
    assert float(as_share(wear, np.array(growth))) == pytest.approx(share, abs=1e-9)


@given(st.sampled_from([each for each in GROWTHS if each]), st.floats(0.05, 0.9))
def test_wear_whose_rate_grows_by_the_law_is_straight_under_it(growth: float, share: float) -> None:
    """dz/dt = exp(k z), so dt = exp(-k z) dz: the wear y is the time itself."""
    steps = np.linspace(0, share, 20_001)
    slow = np.exp(-growth * steps)
    assert float(as_wear(share, growth)) == pytest.approx(float(np.trapezoid(slow, steps)), rel=1e-6)


def test_what_is_joined_keeps_its_weight() -> None:
    """A mean of n readings has u / sqrt n, and the weighted mean of all stays."""
    series = join(line(1000), 3.0)
    assert len(series.clock) <= BINS
    whole = 1 / np.sqrt((1 / series.u**2).sum())
    assert whole == pytest.approx(0.02 / 3 / math.sqrt(1000), rel=1e-9)
    assert np.average(series.share, weights=1 / series.u**2) == pytest.approx(
        np.mean([each.elongation_pct for each in line(1000)]) / 3
    )


@settings(deadline=None, max_examples=15)
@given(st.permutations(list(range(12))))
def test_order_of_arrival_changes_nothing(order: list[int]) -> None:
    rows = line(12)
    bank, again = fit_bank(join(rows, 3.0)), fit_bank(join([rows[each] for each in order], 3.0))
    assert again.weight == pytest.approx(bank.weight)
    assert again.state == pytest.approx(bank.state)


@settings(deadline=None, max_examples=15)
@given(st.floats(1e-6, 1e9), st.floats(0.1, 100))
def test_units_of_clock_and_elongation_do_not_matter(clock: float, pct: float) -> None:
    rows = line(30)
    scaled = [
        replace(
            each, clock=each.clock * clock, elongation_pct=each.elongation_pct * pct,
            u_independent_pct=each.u_independent_pct * pct,
        )
        for each in rows
    ]  # fmt: skip
    plain, other = fit_bank(join(rows, 3.0)), fit_bank(join(scaled, 3.0 * pct))
    assert other.weight == pytest.approx(plain.weight, abs=1e-6)
    assert mean(other, other.state[1]) * clock == pytest.approx(mean(plain, plain.state[1]), rel=1e-5)


def test_a_member_is_the_gaussian_posterior_of_its_model() -> None:
    """Filter against conditioning the joint normal law of all states and readings in one step (Särkkä 2013, A.1)."""
    rows = line(9)
    series = join(rows, 3.0)
    bank = fit_bank(series)
    index = next(
        n for n in range(len(bank.weight)) if bank.growth[n] == 0 and bank.bend[n] < 0
        and bank.wander_index[n] == 2 and bank.drift_index[n] == 2
    )  # fmt: skip
    noise = wear_state.NOISES[0]  # the first of the three that share the other indices
    s, swing, pull = bank.wander[index], bank.swing[index], bank.pull[index]
    pilot = swing / wear_state.DRIFTS[2][0]
    t = series.clock - series.clock[0]
    fine = np.minimum.outer(t, t)
    lag = np.abs(np.subtract.outer(t, t))
    decay = np.exp(-pull * np.maximum(t, 0))
    swung = (swing / pull) ** 2 * (
        2 * pull * fine - 1 + decay[:, None] + decay[None, :] - np.exp(-pull * lag)
    )
    u0 = swing**2 * np.zeros_like(fine)  # the stationary process holds its own start: nothing more to add
    rate_u = wear_state.RATE_PRIOR * math.hypot(pilot, float(wear_state._pilot(series, None)[1][4]))
    wear = 1.0 + rate_u**2 * np.outer(t, t) + s**2 * fine + swung + u0
    total = wear + np.diag((noise * series.u) ** 2)
    rest = series.share - series.share[0]
    expected = series.share[0] + wear[-1] @ np.linalg.solve(total, rest)
    variance = wear[-1, -1] - wear[-1] @ np.linalg.solve(total, wear[-1])
    assert bank.state[0, index] == pytest.approx(expected, abs=1e-9)
    assert bank.covariance[0, 0, index] == pytest.approx(variance, rel=1e-6)


def test_a_steady_rate_is_found_and_grows_surer() -> None:
    few, many = fit_bank(join(line(10), 3.0)), fit_bank(join(line(100), 3.0))
    assert mean(many, many.state[1]) * 3 == pytest.approx(0.01, rel=0.1)
    assert mean(many, many.covariance[1, 1]) < mean(few, few.covariance[1, 1])
    assert many.weight[many.growth == 0].sum() > 0.7


def test_a_bend_is_found_where_it_is_and_followed() -> None:
    rng = np.random.default_rng(3)
    rows = [
        read(float(n), 0.1 + 0.005 * n + 0.015 * max(0, n - 200) + float(rng.normal(0, 0.02)))
        for n in range(1, 241)
    ]
    bank = fit_bank(join(rows, 3.0))
    bent = bank.bend >= 0
    series = join(rows, 3.0)
    assert bank.weight[bent].sum() > 0.9
    assert series.clock[int(np.bincount(bank.bend[bent], bank.weight[bent]).argmax())] == pytest.approx(
        200, abs=8
    )
    assert mean(bank, bank.state[1]) * 3 == pytest.approx(0.02, rel=0.15)


def test_a_bend_that_has_just_come_is_found_late_in_life() -> None:
    """Threefold from 65 % of the limit on, ten readings of it: likelier than not; as much too early in life is not believed as soon."""

    def bent(at: int) -> float:
        found = []
        for seed in range(6):
            rng = np.random.default_rng(seed)
            rows = [
                read(float(n), 0.01 * n + 0.02 * max(0, n - at) + float(rng.normal(0, 0.02)))
                for n in range(1, at + 11)
            ]
            bank = fit_bank(join(rows, 3.0))
            found.append(bank.weight[bank.bend >= 0].sum())
        return float(np.median(found))

    assert bent(195) > 0.5
    assert bent(195) > bent(60)


@settings(deadline=None, max_examples=25)
@given(st.floats(0.1, 1.3), st.floats(0.0, 0.9), st.integers(12, 90))
def test_bends_are_held_as_likely_beforehand_as_said(share: float, prior: float, count: int) -> None:
    """All early ones, and those of the late ones that would have come by now."""
    series = join(line(count, rate=3 * share / count), 3.0)
    bends = wear_state._bend_candidates(series)
    held = wear_state._bends_held(series, bends, prior)
    come = np.clip((series.share.max() - wear_state.LATE) / (wear_state.LATEST - wear_state.LATE), 0, 1)
    before = np.clip((series.share[0] - wear_state.LATE) / (wear_state.LATEST - wear_state.LATE), 0, 1)
    assert np.all(held >= 0)
    assert held.sum() == pytest.approx(min(prior, 0.85) * (come - before) + wear_state.EARLY_BEND, abs=0.03)


def test_a_steady_series_shows_no_bend() -> None:
    found = [fit_bank(join(line(200, seed=seed), 3.0)) for seed in range(10)]
    assert np.mean([bank.weight[bank.bend >= 0].sum() for bank in found]) < 0.15


def test_wear_that_speeds_up_is_taken_for_growing() -> None:
    clock = np.linspace(0, 0.7, 120)
    share = (
        -np.log(1 - 2.5 * clock * 0.3674) / 2.5
    )  # straight under growth 2.5, at the limit when the clock is 1
    bank = fit_bank(
        join([read(float(t), float(3 * z), 0.005) for t, z in zip(clock, share, strict=True)], 3.0)
    )
    assert bank.weight[bank.growth >= 1.0].sum() > 0.95


def test_a_common_part_is_not_averaged_away() -> None:
    """Hundreds of readings leave u_common in the elongation, and none of it in the rate; the passage spreads by it."""
    alone = fit_bank(join(line(250), 3.0))
    shared = fit_bank(join([replace(each, u_common_pct=0.06) for each in line(250)], 3.0))
    assert mean(shared, shared.covariance[3, 3]) == pytest.approx(0.02**2)
    assert mean(shared, shared.covariance[1, 1]) == pytest.approx(
        mean(alone, alone.covariance[1, 1]), rel=1e-6
    )
    ahead = np.array([32.0, 48.0])  # the limit is 40 away
    wide, narrow = (np.sum(passage_of_bank(each, ahead), axis=0) for each in (shared, alone))
    assert wide[0] > narrow[0] + 0.02
    assert wide[1] < narrow[1]


def test_values_by_hand_show_what_a_baseline_has_wrong() -> None:
    """Live values 0.15 % too high by a common part; ten by hand, in an epoch of their own without one, tell so."""
    live = [replace(each, elongation_pct=each.elongation_pct + 0.15, u_common_pct=0.1) for each in line(200)]
    hand = [read(20.0 * n + 0.5, 0.1 + 0.01 * 20 * n, 0.03, epoch="hand") for n in range(1, 10)]
    bank = fit_bank(join([*live, *hand], 3.0))
    assert mean(bank, bank.state[3]) * 3 == pytest.approx(0.15, abs=0.04)
    left = math.sqrt(mean(bank, bank.covariance[3, 3])) * 3
    assert left < 0.05


def test_a_new_baseline_that_reads_more_is_no_wear() -> None:
    rows = [
        replace(each, u_common_pct=0.1, epoch="a" if each.clock < 100 else "b", elongation_pct=each.elongation_pct + (each.clock >= 100) * 0.2)
        for each in line(200)
    ]  # fmt: skip
    bank = fit_bank(join(rows, 3.0))
    assert mean(bank, bank.state[1]) * 3 == pytest.approx(0.01, rel=0.1)


def test_the_oldest_epochs_are_left_out() -> None:
    rows = [replace(each, epoch=str(int(each.clock) // 10)) for each in line(99)]
    kept = newest_epochs(rows)
    assert {each.epoch for each in kept} == {str(n) for n in range(10 - EPOCHS_MAX, 10)}


def test_one_wild_reading_moves_little() -> None:
    rows = line(60)
    wild = [*rows[:-5], replace(rows[-5], elongation_pct=rows[-5].elongation_pct + 1.0), *rows[-4:]]
    plain, hit = fit_bank(join(rows, 3.0)), fit_bank(join(wild, 3.0))
    assert abs(mean(hit, hit.state[0]) - mean(plain, plain.state[0])) * 3 < 0.1


def test_the_law_of_the_passage_is_that_of_simulated_paths() -> None:
    """Each member's own paths, 20 000 of them: wear, rate and its passing part drawn from its posterior, then walked."""
    bank = fit_bank(join(line(60, rate=0.02, u=0.03), 3.0))
    index = int(
        np.flatnonzero(
            (bank.growth == 0) & (bank.bend < 0) & (bank.wander_index == 3) & (bank.drift_index == 2)
        )[0]
    )
    only = replace(bank, weight=(np.arange(len(bank.weight)) == index).astype(float))
    rng = np.random.default_rng(5)
    start = rng.multivariate_normal(bank.state[:3, index], bank.covariance[:3, :3, index], 20_000).T
    y, r, u = start
    step, keep = 0.25, math.exp(-bank.pull[index] * 0.25)
    swing = bank.swing[index] * math.sqrt(1 - keep * keep)
    reached, found = np.zeros(20_000, dtype=bool), []
    for _ in range(600):
        y = y + step * (r + u) + rng.normal(0, bank.wander[index] * math.sqrt(step), 20_000)
        u = keep * u + rng.normal(0, swing, 20_000)
        reached |= y >= bank.end[index]
        found.append(reached.mean())
    told = passage_of_bank(only, step * np.arange(1.0, 601.0))[0]
    assert (
        np.abs(told - np.array(found)).max() < 0.03
    )  # steps of time miss some passages: s sqrt(step) is 0.3 % of the limit


@pytest.mark.parametrize("wrong", [{"u": 0.0}, {"common": -1.0}, {"pct": math.nan}])
def test_a_reading_without_uncertainty_or_number_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"uncertainty|finite"):
        read(1.0, wrong.get("pct", 1.0), wrong.get("u", 0.02), common=wrong.get("common", 0.0))
