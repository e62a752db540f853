"""The links of a chain against the links of the simulator, and against chains whose speed is set against them."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from sensors_sim.chain import StiffJoint
from sensors_sim.motion import Motion
from service.core.chain_map import ChainMap, Sums, begin, fold
from service.core.link_map import LinkMap, behind_up, map_of
from service.core.passage import APART, PLACE
from tests.bench.chain_map import Follower, Setting, drawn


def follower(**setting: Any) -> Follower:
    return Follower(Setting(**setting))


def links_of(chain_map: ChainMap, mean_pct: float = 0.0, teeth: int | None = None) -> LinkMap:
    links = map_of(chain_map, mean_pct, teeth)
    assert links is not None
    return links


# --- exact --------------------------------------------------------------------------------------------


def test_links_of_a_worn_chain_are_p_and_p_and_twice_the_wear() -> None:
    """From the construction: rollers of an inner link stay 12.7 mm apart, those across an outer one are 13.208 mm at 2 %."""
    worn = follower(
        elongation_pct=2.0, wear_spread=0.0, tolerance_pct=0.0, repeatability_mm=0.0, missed=0.0, teeth=None,
        speed_spread=0.0,
    ).laps(6)  # fmt: skip
    links = links_of(worn.map, 2.0)
    made_pct = 0.06  # the bench's chains are made so much longer
    assert links.elongation_pct[links.sign > 0] == pytest.approx(
        np.full(60, 100 * (13.208 / 12.7 - 1) - made_pct), abs=0.01
    )
    assert links.elongation_pct[links.sign < 0] == pytest.approx(np.full(60, made_pct), abs=0.01)


@pytest.mark.parametrize("between", [9.0, 24.0, 24.5, 31.37])
@pytest.mark.parametrize("pitches", [96, 121])
def test_without_noise_every_link_is_right(between: float, pitches: int) -> None:
    """Even where the spacing is a whole number of pitches that divides the loop, so that `apart` is blind to much."""
    worn = follower(
        pitches=pitches, between=between, repeatability_mm=0.0, missed=0.0, teeth=None, speed_spread=0.0,
        bad_joint_mm=0.8,
    ).laps(8)  # fmt: skip
    links = links_of(worn.map, worn.drive.chain.mean_elongation_pct)
    assert links.elongation_pct == pytest.approx(worn.true_pct(), abs=0.01)


def test_the_mean_is_that_of_the_readings() -> None:
    worn = follower(elongation_pct=1.3).laps(5)
    for mean_pct in (1.3, 2.0):
        assert links_of(worn.map, mean_pct).elongation_pct.mean() == pytest.approx(mean_pct, abs=1e-9)


# --- speed --------------------------------------------------------------------------------------------


def test_a_driver_that_drags_each_link_in_the_same_time_makes_no_ghosts() -> None:
    """A tooth a link: the strand then runs fast while a long link is on the driver.

    One sensor alone would see its mirror image, a short link, as far before the driver as the sensor stands.
    """
    pitches, between, to_driver = 90, 20.4, 31.0
    links = np.ones(pitches)
    links[40] += 0.06
    links *= pitches / links.sum()
    place = np.concatenate(([0.0], np.cumsum(np.tile(links, 14))))  # of joints along the chain
    at_s = np.arange(len(place)) * 0.02  # when each comes to the driver
    chain_map = begin(pitches)
    rng = np.random.default_rng(1)
    up_s, down_s = (
        np.interp(place[100:-40] - distance, place, at_s) for distance in (to_driver, to_driver - between)
    )
    up_s, down_s = (times_s + rng.normal(0, 0.00005, len(times_s)) for times_s in (up_s, down_s))
    chain_map, _ = fold(chain_map, up_s=up_s, down_s=down_s, t0_ns=0, pitches_between=between)
    found = links_of(chain_map).elongation_pct
    long = int(np.argmax(found))
    assert found[long] == pytest.approx(100 * (links[40] - 1), abs=0.6)
    assert np.delete(found, long).min() > -1.5  # the ghost would be -6
    alone = chain_map.known.means()[PLACE]
    assert 100 * (np.roll(alone, -1) - alone).min() < -4  # and in one sensor's own row it stands


@pytest.mark.parametrize(
    "motion",
    [
        Motion.ramp(0.5, 1.5, over_s=20, hold_s=20),
        Motion.wander(1.0, spread=0.03, correlation_s=1.0, seed=4),
        Motion.start_stop(1.0, run_s=12, stand_s=3),
    ],
)
def test_changes_of_speed_cost_no_exactness(motion: Motion) -> None:
    worn = follower(motion=motion).run(10, 5.0)
    links = worn.links()
    error = links.elongation_pct - worn.true_pct()
    assert np.sqrt((error**2).mean()) < 1.3 * np.sqrt((links.u_pct**2).mean())
    assert links.u_pct.max() < 0.2


# --- uncertainty --------------------------------------------------------------------------------------


def test_stated_uncertainties_hold_the_truth_95_times_in_100() -> None:
    """Over drives drawn at random, for single links and for runs of twenty."""
    rng = np.random.default_rng(8)
    single, runs = [], []
    for _ in range(40):
        worn = Follower(drawn(rng)).laps(15)
        links = worn.links()
        error = links.elongation_pct - worn.true_pct()
        single.append(np.abs(error) <= 1.96 * links.u_pct)
        round_the_loop = np.concatenate((error, error[:19]))
        runs.append(
            np.abs(np.convolve(round_the_loop, np.full(20, 0.05), "valid")) <= 1.96 * links.run_u_pct(20)
        )
    assert 0.93 <= np.concatenate(single).mean() <= 0.97
    assert 0.93 <= np.concatenate(runs).mean() <= 0.985


def test_uncertainty_falls_with_the_root_of_the_laps() -> None:
    few, many = (follower().laps(laps).links().u_pct.mean() for laps in (5, 45))
    assert few / many == pytest.approx(3.0, rel=0.2)


def test_a_joint_that_no_sensor_sees_has_its_two_links_guessed_and_says_so() -> None:
    worn = follower().laps(15)
    links, true_pct = worn.links(), worn.true_pct()
    known = worn.map.known
    dark = 37
    count, total, square = known.count.copy(), known.total.copy(), known.square.copy()
    for values in (count, total, square):
        values[:, dark] = 0.0
        values[APART, [dark - 24, dark - 25]] = 0.0  # these need its pulse at `up`
    blind = links_of(replace(worn.map, known=Sums(count=count, total=total, square=square)), 1.2)
    beside = np.array([dark - 1, dark])
    assert blind.u_pct[beside].min() > 0.8
    assert (np.abs(blind.elongation_pct - true_pct)[beside] <= 3 * blind.u_pct[beside]).all()
    assert blind.elongation_pct[beside].mean() == pytest.approx(true_pct[beside].mean(), abs=0.3)
    assert np.delete(blind.elongation_pct, beside) == pytest.approx(
        np.delete(links.elongation_pct, beside), abs=0.35
    )


# --- what else it says --------------------------------------------------------------------------------


def test_there_is_no_map_before_three_laps_of_nearly_all_joints() -> None:
    worn = follower()
    assert map_of(worn.map, 1.2) is None
    worn.run(2)
    assert map_of(worn.map, 1.2) is None
    worn.laps(3)
    assert map_of(worn.map, 1.2) is not None


def test_a_joint_that_straightens_between_the_sensors_is_apart_from_speed() -> None:
    """0.8 mm at the sprocket, 0.8 exp(-100/200) at `up`, 0.8 exp(-406/200) at `down`: 0.380 mm between them."""
    worn = follower(stiff=StiffJoint(joint=40, shift_mm=0.8)).laps(20)
    links = worn.links()
    assert np.flatnonzero(links.displaced_pct).tolist() == [worn.true_link(40)]
    shift_mm = links.displaced_pct[worn.true_link(40)] / 100 * 12.7
    assert shift_mm == pytest.approx(0.380, abs=3 * links.displaced_u_pct / 100 * 12.7)


def test_the_fitter_counts_from_the_sensor_to_the_link() -> None:
    worn = follower().laps(4)
    at_up = worn.true_joint_at_last_pulse()
    assert behind_up(worn.map, worn.true_link(at_up)) == 0
    assert behind_up(worn.map, worn.true_link(at_up + 12)) == 12
    assert behind_up(worn.map, worn.true_link(at_up - 1)) == 119
    assert behind_up(begin(120), 3) is None
    assert behind_up(replace(worn.map, sought=worn.map.known), 3) is None
