"""The map of a chain: what is folded where, and when it says that the place is lost."""

import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from sensors_sim.drive import Pulses
from sensors_sim.motion import Motion
from service.core.chain_map import LAPS_KEPT, ChainMap, Folded, Place, Sums, begin, fold
from service.core.passage import APART, PLACE
from tests.bench.chain_map import START_NS, Follower, Setting, drawn


def follower(**setting: Any) -> Follower:
    return Follower(Setting(**setting))


def restarted(worn: Follower) -> ChainMap:
    """The map as another process reads it from a store."""
    return ChainMap.from_dict(json.loads(json.dumps(worn.map.to_dict())))


def taken(chain_map: ChainMap, pulses: Pulses) -> tuple[ChainMap, Folded]:
    """One batch folded into a map."""
    return fold(
        chain_map,
        up_s=np.multiply(pulses.up_ticks, 1e-6),
        down_s=np.multiply(pulses.down_ticks, 1e-6),
        t0_ns=pulses.t0_ns,
        pitches_between=pulses.true_pitches_between,
    )


def same(one: ChainMap, other: ChainMap) -> bool:
    return one.to_dict() == other.to_dict()


# --- counting on --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "setting",
    [
        {},
        {"missed": 0.05},
        {"spurious_per_s": 0.5, "doubled": 0.02},
        {"elongation_pct": 0.06, "tolerance_pct": 0.03},  # links much alike
        {"pitches": 121},
        {"pitches": 640, "bad_joint_mm": 1.0},  # a batch is a quarter of a lap
        {"repeatability_mm": 0.2},
        {"between": 24.0, "elongation_pct": 0.3},
    ],
    ids=lambda setting: " ".join(f"{name} {value}" for name, value in setting.items()) or "ordinary",
)
def test_joints_are_counted_on_from_batch_to_batch(setting: dict[str, Any]) -> None:
    worn = follower(**setting).laps(20)
    assert worn.in_place
    assert not worn.map.lost
    assert worn.places[Place.COUNTED] >= 0.9 * (len(worn.folded) - 1)
    assert worn.map.known.laps == pytest.approx(20, rel=0.2)


def test_the_map_is_the_same_however_the_run_is_cut_into_batches() -> None:
    short, long = follower().run(80, 1.0), follower().run(8, 10.0)
    for links in (short.links(), long.links()):
        assert links.elongation_pct == pytest.approx(short.true_pct(), abs=4.5 * links.u_pct.max())
    assert short.joint_0 % 120 == long.joint_0 % 120


def test_stops_and_gaps_between_batches_do_not_lose_the_place_of_a_worn_chain() -> None:
    stopping = follower(motion=Motion.start_stop(1.0, run_s=9, stand_s=4), elongation_pct=2.0).run(16, 5.0)
    for _ in range(4):
        stopping.stand(7.3).run(1, 5.0)
    stopping.run(3, 5.0)
    assert stopping.in_place
    assert not stopping.map.lost
    assert Place.FOUND.value in stopping.places


# --- finding the place again --------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(1, 6))
@pytest.mark.parametrize("gap_s", [20.0, 7200.0])
def test_after_a_restart_and_a_gap_the_map_goes_on(seed: int, gap_s: float) -> None:
    worn = follower(seed=seed).laps(20)
    laps, joint_0 = worn.map.known.laps, worn.joint_0
    worn.map = restarted(worn)
    worn.stand(gap_s).laps(8)
    assert Place.FOUND.value in worn.places
    assert worn.in_place
    assert worn.joint_0 == joint_0
    assert worn.map.known.laps == pytest.approx(laps + 8, rel=0.1)
    links = worn.links()
    assert links.elongation_pct == pytest.approx(worn.true_pct(), abs=4.5 * links.u_pct.max())


def test_no_place_is_ever_wrong() -> None:
    """Drives drawn at random, gaps and exchanged chains: found rightly, refused, or still sought; never at a guess."""
    rng = np.random.default_rng(12)
    found = refused = 0
    for _ in range(25):
        setting = drawn(rng, elongation_pct=float(rng.choice([0.06, 0.3, 1.0, 2.5])))
        worn = Follower(setting).laps(20)
        kept, joint_0 = restarted(worn), worn.joint_0
        worn.stand(float(rng.uniform(50, 500)) * setting.batch_s)
        for _ in range(12):
            worn.run(1)
            if not worn.map.lost:
                assert worn.in_place
                assert worn.joint_0 == joint_0
                found += 1
                break
        other = Follower(replace(setting, seed=setting.seed + 1, start_ns=START_NS + 10**14), kept).laps(12)
        assert Place.FOUND.value not in other.places
        assert Place.COUNTED.value not in other.places or Place.OTHER.value in other.places
        refused += other.places[Place.OTHER]
    assert found >= 20
    assert refused >= 20


def test_after_a_chain_was_exchanged_the_place_is_lost_and_a_new_map_begun() -> None:
    kept = restarted(follower(seed=3).laps(20))
    new = Follower(Setting(seed=4, start_ns=START_NS + 10**13), kept).run(1)
    first = new.folded[0]
    assert first.lost
    assert first.joint is None
    assert new.map.known.to_dict() == kept.known.to_dict()  # nothing of the new chain is in the old map
    new.laps(20)
    assert Place.OTHER.value in new.places
    assert new.in_place
    links = new.links()
    assert links.elongation_pct == pytest.approx(new.true_pct(), abs=4.5 * links.u_pct.max())


def test_links_that_are_all_alike_cannot_be_told_apart_and_no_place_is_claimed() -> None:
    even = follower(elongation_pct=0.0, tolerance_pct=0.0, wear_spread=0.0).laps(10)
    assert not even.map.lost  # counted on, it has its place
    even.stand(100.0).run(10)
    assert {folded.place for folded in even.folded[-10:]} == {Place.SOUGHT}
    assert all(folded.lost and folded.joint is None for folded in even.folded[-10:])
    even.laps(60)
    assert even.places[Place.BEGUN_AGAIN] == 1
    assert not even.map.lost
    assert even.places[Place.FOUND] == 0


def test_what_was_folded_while_the_place_was_sought_is_joined_to_the_map() -> None:
    """A chain with little wear: one batch is too little to find the place by, some are enough."""
    worn = follower(elongation_pct=0.3, seed=7).laps(20)
    laps = worn.map.known.laps
    worn.stand(333.0)
    while worn.folded[-1].place is not Place.FOUND:
        worn.run(1)
        assert len(worn.folded) < 60
    sought = worn.places[Place.SOUGHT]
    assert sought >= 1
    assert worn.in_place
    assert worn.map.known.laps == pytest.approx(laps + (sought + 1) * 150 / 120, rel=0.05)


def test_a_clock_that_was_set_by_part_of_a_pitch_is_not_counted_over() -> None:
    worn = follower(elongation_pct=0.06, seed=5).laps(20)
    pulses = worn.drive.run(worn.setting.batch_s)
    worn.take(replace(pulses, t0_ns=pulses.t0_ns + 6_000_000))  # 6 ms are 0.47 pitch at 1 m/s
    assert worn.folded[-1].place is not Place.COUNTED


@pytest.mark.parametrize("pitches", [-8, -2, 1, 2, 3])
def test_a_clock_that_was_set_by_some_pitches_does_not_move_the_map(pitches: int) -> None:
    """The count says so many joints more or fewer; the pattern of a worn chain says otherwise."""
    worn = follower(elongation_pct=2.0, seed=5).laps(20)
    pulses = worn.drive.run(worn.setting.batch_s)
    right, _ = taken(worn.map, pulses)
    late_ns = round(pitches * worn.map.period_s * 1e9)
    moved, folded = taken(worn.map, replace(pulses, t0_ns=pulses.t0_ns + late_ns))
    assert folded.lost or moved.joint == right.joint
    assert not right.lost


def test_where_the_pitches_between_jump_the_place_is_not_counted_on() -> None:
    worn = follower().laps(10)
    pulses = worn.drive.run(worn.setting.batch_s)
    _, folded = taken(worn.map, replace(pulses, true_pitches_between=pulses.true_pitches_between + 1))
    assert folded.place is Place.SOUGHT


# --- sums ---------------------------------------------------------------------------------------------


def test_old_laps_fade_so_that_the_map_follows_the_wear() -> None:
    one = follower().run(4).map.known
    sums = Sums.none(120)
    for _ in range(600):
        sums = sums.plus(one, 0, 0.0)
    assert sums.laps == pytest.approx(LAPS_KEPT)
    assert sums.means() == pytest.approx(one.means(), abs=1e-9)
    shifted = replace(
        one, total=one.total + 0.01 * one.count, square=one.square + 0.02 * one.total + 1e-4 * one.count
    )
    for _ in range(1200):
        sums = sums.plus(shifted, 0, 0.0)
    assert sums.means() == pytest.approx(one.means() + 0.01, abs=2e-3)


def test_one_lap_numbered_wrongly_does_little() -> None:
    known = follower().laps(20).map.known
    noise = math.sqrt(known.noise(APART))
    stray = Sums(count=np.ones((2, 120)), total=np.full((2, 120), 0.3), square=np.full((2, 120), 0.09))
    moved = known.plus(stray, 0, 0.0).means() - known.means()
    assert np.abs(moved).max() < 9 * noise / known.count.min()


def test_sums_are_of_the_place_they_are_laid_to() -> None:
    part = follower().run(1).map.known
    moved = Sums.none(120).plus(part, 7, 0.0)
    assert moved.means() == pytest.approx(np.roll(part.means(), 7, axis=1))
    raised = Sums.none(120).plus(part, 0, 0.25)
    seen = part.count[APART] > 0
    assert raised.means()[APART][seen] == pytest.approx(part.means()[APART][seen] - 0.25)
    assert raised.means()[PLACE] == pytest.approx(part.means()[PLACE])
    assert raised.noise(APART) == pytest.approx(part.noise(APART))


# --- what goes in and out -----------------------------------------------------------------------------


def test_a_map_is_the_same_after_it_was_stored() -> None:
    worn = follower().laps(6)
    assert same(restarted(worn), worn.map)
    worn.stand(100).run(1)
    assert same(restarted(worn), worn.map)
    assert same(ChainMap.from_dict(json.loads(json.dumps(begin(88).to_dict()))), begin(88))


@pytest.mark.parametrize(
    "spoil",
    [
        lambda fields: fields.pop("known"),
        lambda fields: fields.update(v=2),
        lambda fields: fields.update(pitches_in_loop=119),
        lambda fields: fields.update(pitches_in_loop=0),
        lambda fields: fields["known"].update(count="none"),
        lambda fields: fields["known"]["total"][0].__setitem__(3, float("nan")),
        lambda fields: fields.update(joint=None),
    ],
)
def test_what_is_no_stored_map_is_refused_with_the_fix(spoil: Any) -> None:
    fields = follower().run(2).map.to_dict()
    spoil(fields)
    with pytest.raises(ValueError, match="begin a new one"):
        ChainMap.from_dict(fields)


def test_nonsense_is_refused_with_the_fix() -> None:
    with pytest.raises(ValueError, match="pitches of the whole chain"):
        begin(8)
    empty = np.zeros(0)
    for between in (math.nan, math.inf, 0.4):
        with pytest.raises(ValueError, match="pitches between the sensors of this batch"):
            fold(begin(120), up_s=empty, down_s=empty, t0_ns=0, pitches_between=between)


def test_a_batch_too_short_to_number_changes_nothing() -> None:
    worn = follower().laps(4)
    few_s = np.multiply(np.arange(9), 0.01)
    folded_map, folded = fold(worn.map, up_s=few_s, down_s=few_s, t0_ns=0, pitches_between=24.1)
    assert folded_map is worn.map
    assert folded.place is Place.NOTHING
    assert folded.laps == 0.0
    assert not folded.lost
