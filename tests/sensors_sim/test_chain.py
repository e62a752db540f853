"""The chain: where wear puts its rollers."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensors_sim.chain import SimulatedChain, StiffJoint, Wear, WornSection


def chain(**changes: object) -> SimulatedChain:
    plain = {"pitch_mm": 12.7, "pitches": 120, "rng": np.random.default_rng(1)}
    return SimulatedChain.make(**(plain | changes))  # type: ignore[arg-type]


def even_chain(**changes: object) -> SimulatedChain:
    return chain(tolerance_pct=0.0, wear_spread=0.0, **changes)


@given(
    pitches=st.integers(6, 300),
    elongation_pct=st.floats(0.15, 4),
    manufacture_pct=st.floats(-0.05, 0.15),
    spread=st.floats(0, 0.4),
    seed=st.integers(0, 2**32),
)
def test_the_links_add_up_to_the_elongation_asked_for(
    pitches: int, elongation_pct: float, manufacture_pct: float, spread: float, seed: int
) -> None:
    made = chain(
        pitches=pitches,
        elongation_pct=elongation_pct,
        manufacture_pct=manufacture_pct,
        wear_spread=spread,
        rng=np.random.default_rng(seed),
    )
    assert made.links_mm.sum() == pytest.approx(pitches * 12.7 * (1 + elongation_pct / 100), rel=1e-12)
    assert made.mean_elongation_pct == pytest.approx(elongation_pct, abs=1e-9)


def test_inner_links_keep_their_pitch_and_outer_links_grow_by_twice_the_mean_wear() -> None:
    """From the construction (pins pressed into outer plates, bushes into inner ones): 2 % of 12.7 mm gives 13.208 mm."""
    links = even_chain(elongation_pct=2.0).links_mm
    assert links[0::2] == pytest.approx(np.full(60, 12.7), abs=1e-9)
    assert links[1::2] == pytest.approx(np.full(60, 13.208), abs=1e-9)


def test_a_loop_of_odd_length_closes_with_one_cranked_link_that_grows_by_the_wear_of_one_joint() -> None:
    links = even_chain(pitches=121, elongation_pct=2.0).links_mm
    delta_mm = 0.02 * 12.7
    assert np.count_nonzero(np.isclose(links, 12.7)) == 60
    assert np.count_nonzero(np.isclose(links, 12.7 + 2 * delta_mm)) == 60
    assert links[-1] == pytest.approx(12.7 + delta_mm)


def test_each_outer_link_grows_by_the_wear_of_its_own_two_joints() -> None:
    worn = even_chain(elongation_pct=1.0)
    wear_mm = np.arange(120) / 1000
    links = SimulatedChain(
        pitch_mm=12.7, made_mm=worn.made_mm, wear_mm=wear_mm, wear_share=worn.wear_share
    ).links_mm
    assert links[1] - 12.7 == pytest.approx(0.001 + 0.002)
    assert links[119] - 12.7 == pytest.approx(0.119 + 0.0)


def test_a_worn_section_and_a_bad_joint_stand_out_and_leave_the_mean_as_asked() -> None:
    worn = even_chain(
        elongation_pct=1.0, worn_section=WornSection(first_joint=30, joints=20, factor=4.0), bad_joint_mm=0.6
    )
    assert worn.wear_mm[30:50] == pytest.approx(np.full(20, 4 * worn.wear_mm[0]))
    assert worn.wear_mm[60] - worn.wear_mm[0] == pytest.approx(0.6)
    assert worn.mean_elongation_pct == pytest.approx(1.0)


def test_a_section_spliced_in_is_as_long_as_new_chain_and_the_rest_makes_up_the_mean() -> None:
    mended = even_chain(elongation_pct=1.0, worn_section=WornSection(first_joint=30, joints=20, factor=0.0))
    links = mended.links_mm
    assert links[30:49] == pytest.approx(np.full(19, 12.7))
    assert links[51] == pytest.approx(12.7 * (1 + 2 * 0.01 * 120 / 100))
    assert links[29] == pytest.approx(12.7 * (1 + 0.01 * 120 / 100))  # between a worn joint and a new one
    assert mended.mean_elongation_pct == pytest.approx(1.0)


def test_a_stiff_joint_is_pulled_straight_on_its_way() -> None:
    bent = even_chain(stiff=StiffJoint(joint=40, shift_mm=0.8, straightens_mm=200.0))
    at_sprocket, further = bent.shifts_mm(0.0), bent.shifts_mm(200.0)
    assert at_sprocket is not None
    assert further is not None
    assert np.flatnonzero(at_sprocket).tolist() == [40]
    assert at_sprocket[40] == pytest.approx(0.8)
    assert further[40] == pytest.approx(0.8 / math.e)
    assert bent.worn_by(0.5).shifts_mm(0.0) == pytest.approx(at_sprocket)
    assert even_chain().shifts_mm(0.0) is None


def test_outer_links_may_be_made_longer_without_any_wear() -> None:
    links = even_chain(outer_minus_inner_pct=0.2).links_mm
    assert links[1] - links[0] == pytest.approx(0.002 * 12.7)
    assert links.mean() == pytest.approx(12.7)


def test_wear_grows_each_joint_at_its_own_rate_and_the_mean_at_the_rate_given() -> None:
    new = chain(elongation_pct=0.1, manufacture_pct=0.1)
    worn = new.worn_by(0.8)
    assert worn.mean_elongation_pct - new.mean_elongation_pct == pytest.approx(0.8)
    grown = worn.wear_mm - new.wear_mm
    assert grown / grown.mean() == pytest.approx(new.wear_share)
    assert grown.std() > 0.05 * grown.mean()


def test_bedding_in_dies_away_and_leaves_a_straight_line() -> None:
    """The Complete Guide to Chain, 2.2.4: initial wear stays under 0.1 % and is over early; then it goes on slowly."""
    wear = Wear(pct_per_million_laps=0.04, bedding_pct=0.08, bedding_laps=50_000)
    assert wear.growth_pct(0) == 0
    assert wear.growth_pct(50_000) > 0.05
    late = [wear.growth_pct(laps) for laps in (2e6, 3e6, 4e6)]
    assert late[1] - late[0] == pytest.approx(0.04, abs=1e-6)
    assert late[2] - late[1] == pytest.approx(0.04, abs=1e-6)


def test_speedup_makes_a_lap_count_as_many() -> None:
    assert Wear(speedup=1000).growth_pct(5) == pytest.approx(Wear().growth_pct(5000))


def test_nonsense_is_refused_with_the_fix() -> None:
    with pytest.raises(ValueError, match="at least 6 pitches"):
        chain(pitches=4)
    with pytest.raises(ValueError, match="must cover manufacture_pct"):
        chain(elongation_pct=0.0, manufacture_pct=0.1)
    with pytest.raises(ValueError, match="only wears longer"):
        Wear(speedup=-1)
    with pytest.raises(ValueError, match="factor of 0 or more"):
        WornSection(first_joint=3, joints=4, factor=-0.5)
    with pytest.raises(ValueError, match="straightens_mm over 0"):
        StiffJoint(joint=3, shift_mm=0.5, straightens_mm=0.0)
