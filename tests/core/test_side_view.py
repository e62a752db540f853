"""The drive seen from the side: a closed loop of equal pitches, checked with ruler and compasses, and against a handbook."""

import math
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.core import geometry
from service.core.drive import Chain, Drive
from service.core.side_view import (
    Doubt,
    LinkKind,
    SideView,
    Spot,
    StrandView,
    StrandWhy,
    Supposed,
    centres_for,
    loop_length_pitches,
    straight_joints,
    view_of,
)

TEETH = st.integers(9, 80)
MM_OF_ROUNDING = 1e-6


def a_drive(**more: Any) -> Drive:
    return Drive(
        **{
            "drive_id": "feeder",
            "whole_pitches": 20,
            "offset_pitches": 0.25,
            "driver_teeth": 19,
            "driven_teeth": 38,
            "up_to_driver_mm": 760.0,
            **more,
        }
    )


def a_chain(**more: Any) -> Chain:
    return Chain(
        **{
            "chain_id": "feeder-a",
            "drive_id": "feeder",
            "designation": "16B-1",
            "pitch_mm": 25.4,
            "pitches_in_loop": 100,
            "fitted_ns": 10**18,
            **more,
        }
    )


def sides(drive: Drive, chain: Chain, centres_mm: float | None = None) -> SideView:
    view = view_of(drive, chain, centres_mm)
    assert isinstance(view, SideView)
    return view


def apart(one: Spot, other: Spot) -> float:
    return math.dist((one.x_mm, one.y_mm), (other.x_mm, other.y_mm))


def from_shaft(view: SideView, spot: Spot, *, driver: bool) -> float:
    return math.dist((spot.x_mm, spot.y_mm), ((view.driver if driver else view.driven).x_mm, 0.0))


@st.composite
def views(draw: st.DrawFn) -> SideView:
    """Any drive whose loop goes round it."""
    z1, z2 = draw(TEETH), draw(TEETH)
    pitch_mm = draw(st.floats(6, 200))
    loop = draw(st.integers(z1 + z2 + 8, z1 + z2 + 200))
    drive = a_drive(driver_teeth=z1, driven_teeth=z2, whole_pitches=4, up_to_driver_mm=None)
    return sides(drive, a_chain(designation="", pitch_mm=pitch_mm, pitches_in_loop=loop))


# The loop is closed


@settings(deadline=None)
@given(views())
def test_strands_and_wraps_add_up_to_the_loop(view: SideView) -> None:
    wraps = view.driver.wrap_pitches + view.driven.wrap_pitches
    assert 2 * view.strand_pitches + wraps == pytest.approx(view.joints, rel=1e-9)
    assert view.driver.wrap_rad + view.driven.wrap_rad == pytest.approx(math.tau, rel=1e-12)


@settings(deadline=None)
@given(views(), st.floats(0, 1))
def test_every_place_is_on_a_pitch_circle_or_on_a_line_that_touches_both(view: SideView, part: float) -> None:
    place = part * view.length_pitches
    spot = view.spot(place)
    if place < view.driver.wrap_pitches:
        assert from_shaft(view, spot, driver=True) == pytest.approx(view.driver.radius_mm, rel=1e-9)
        return
    if view.driver.wrap_pitches + view.strand_pitches <= place < view.length_pitches - view.strand_pitches:
        assert from_shaft(view, spot, driver=False) == pytest.approx(view.driven.radius_mm, rel=1e-9)
        return
    for wheel in (
        view.driver,
        view.driven,
    ):  # how far the line through the spot, square to its normal, is from the shaft
        off = (spot.x_mm - wheel.x_mm) * spot.out_x + spot.y_mm * spot.out_y
        assert off == pytest.approx(wheel.radius_mm, rel=1e-9)


@settings(deadline=None)
@given(views())
def test_the_loop_does_not_jump_where_arc_and_strand_meet(view: SideView) -> None:
    slack_from = view.driver.wrap_pitches
    driven_from = slack_from + view.strand_pitches
    for place in (0.0, slack_from, driven_from, view.length_pitches - view.strand_pitches):
        before, after = view.spot(place - 1e-7), view.spot(place + 1e-7)
        assert apart(before, after) < 1e-5 * view.pitch_mm
        assert before.out_x * after.out_x + before.out_y * after.out_y == pytest.approx(1, abs=1e-9)


@settings(deadline=None)
@given(views())
def test_neighbouring_joints_are_a_pitch_apart(view: SideView) -> None:
    """Exactly on a strand and as the chord of a circle; within 0.6 / z^2 of it in the one link that is half of both."""
    spots = [view.spot(place) for place in view.joint_places()]
    links = [apart(one, other) / view.pitch_mm for one, other in pairwise([*spots, spots[0]])]
    few = min(view.driver.teeth, view.driven.teeth)
    assert max(abs(each - 1) for each in links) < 0.6 / few**2
    assert sum(abs(each - 1) > 1e-6 for each in links) <= 4


def test_with_17_teeth_no_link_is_off_by_more_than_a_fifth_of_a_per_cent() -> None:
    """As the module says of itself."""
    worst = 0.0
    for whole in range(60, 90):
        view = sides(
            a_drive(driver_teeth=17, driven_teeth=17), a_chain(pitches_in_loop=whole), 500 + whole / 7
        )
        step = [view.spot(number / 10) for number in range(600)]
        worst = max(
            worst, *(abs(apart(a, b) / view.pitch_mm - 1) for a, b in zip(step, step[10:], strict=False))
        )
    assert 0.0005 < worst < 0.002


@settings(deadline=None)
@given(views())
def test_the_tight_strand_lies_on_top_and_runs_to_the_driver(view: SideView) -> None:
    begins = view.spot(view.length_pitches - view.strand_pitches + 1e-9)
    ends = view.spot(view.length_pitches - 1e-9)
    assert begins.x_mm < ends.x_mm
    assert min(begins.y_mm, ends.y_mm) > 0
    assert from_shaft(view, ends, driver=True) == pytest.approx(view.driver.radius_mm, rel=1e-6)


# Against others


def test_the_length_is_that_of_the_handbooks_example() -> None:
    """Bhandari, Design of Machine Elements, ex. 14.3: p 12.7 mm, 21 and 63 teeth, 122 links: centres of 500.8 mm by the series."""
    centres_mm = centres_for(122, 12.7, 21, 63)
    assert centres_mm == pytest.approx(500.804717, abs=0.2)
    assert loop_length_pitches(500, 12.7, 21, 63) == pytest.approx(121.875097, abs=0.05)


@settings(deadline=None)
@given(z1=TEETH, z2=TEETH, centres=st.floats(40, 100))
def test_the_handbooks_series_comes_to_the_same_at_wide_centres(z1: int, z2: int, centres: float) -> None:
    """Its first terms; the difference of the radii is at most a third of the centres here."""
    exact = loop_length_pitches(centres, 1.0, z1, z2)
    assert exact == pytest.approx(geometry.chain_length_pitches(centres, 1.0, z1, z2), abs=0.15)


@settings(deadline=None)
@given(z1=TEETH, z2=TEETH, loop=st.floats(0, 400))
def test_centres_are_the_inverse_of_the_length_or_there_are_none(z1: int, z2: int, loop: float) -> None:
    centres_mm = centres_for(loop, 10.0, z1, z2)
    touching_mm = (geometry.pitch_diameter_mm(10.0, z1) + geometry.pitch_diameter_mm(10.0, z2)) / 2
    if centres_mm is None:
        assert loop_length_pitches(touching_mm, 10.0, z1, z2) > loop
    else:
        assert centres_mm >= touching_mm
        assert loop_length_pitches(centres_mm, 10.0, z1, z2) == pytest.approx(loop, abs=1e-6)


def test_equal_sprockets_have_half_their_teeth_in_mesh_each() -> None:
    view = sides(a_drive(driver_teeth=20, driven_teeth=20), a_chain(pitches_in_loop=80))
    assert view.driver.wrap_pitches == pytest.approx(10)
    assert view.strand_pitches == pytest.approx(30)
    assert view.centres_mm == pytest.approx(30 * 25.4)


def test_centres_below_the_difference_of_the_radii_are_refused() -> None:
    with pytest.raises(ValueError, match="centres_mm: 10 is not above"):
        loop_length_pitches(10, 25.4, 10, 60)


# The sensors


def test_the_sensors_stand_at_their_distance_from_the_driver_and_from_each_other() -> None:
    view = sides(a_drive(), a_chain())
    assert view.up is not None
    assert view.down is not None
    tangent = view.spot(0.0)
    assert apart(view.spot(view.up), tangent) == pytest.approx(760.0, abs=MM_OF_ROUNDING)
    assert apart(view.spot(view.up), view.spot(view.down)) == pytest.approx(20.25 * 25.4, abs=MM_OF_ROUNDING)
    assert apart(view.spot(view.down), tangent) == pytest.approx(760.0 - 20.25 * 25.4, abs=MM_OF_ROUNDING)
    assert not view.supposed


def test_a_joint_passes_up_in_the_picture() -> None:
    view = sides(a_drive(), a_chain())
    assert view.joint_places()[0] == view.up
    assert view.down is not None
    nearest = min(abs(place - view.down) for place in view.joint_places())
    assert nearest == pytest.approx(0.25, abs=1e-9)  # the offset: a lag of a quarter of a pitch on new chain


def test_sensors_of_unknown_place_are_drawn_in_the_middle_of_the_strand_and_said_to_be_supposed() -> None:
    view = sides(a_drive(up_to_driver_mm=None), a_chain())
    assert view.supposed == {Supposed.PLACE}
    assert view.up is not None
    assert view.down is not None
    before, after = view.up - (view.length_pitches - view.strand_pitches), view.length_pitches - view.down
    assert before == pytest.approx(after)
    assert not view.doubts


def test_a_sensor_off_the_strand_is_doubted() -> None:
    near = sides(a_drive(up_to_driver_mm=300.0), a_chain())
    assert near.doubts == (Doubt.DOWN_OFF_STRAND,)
    far = sides(a_drive(up_to_driver_mm=3000.0), a_chain())
    assert far.doubts == (Doubt.UP_OFF_STRAND,)


def test_without_sensors_there_are_none() -> None:
    view = sides(a_drive(whole_pitches=None, offset_pitches=0.0, up_to_driver_mm=None), a_chain())
    assert (view.up, view.down) == (None, None)
    assert not view.supposed
    assert len(view.joint_places()) == 100


# Links


def test_inner_and_outer_links_take_turns() -> None:
    kinds = sides(a_drive(), a_chain()).link_kinds()
    assert len(kinds) == 100
    assert kinds[::2] == [LinkKind.INNER] * 50
    assert kinds[1::2] == [LinkKind.OUTER] * 50


def test_an_odd_loop_has_one_cranked_link_between_two_that_differ() -> None:
    kinds = sides(a_drive(), a_chain(pitches_in_loop=101)).link_kinds()
    assert kinds.count(LinkKind.CRANKED) == 1
    assert kinds[-2:] == [LinkKind.OUTER, LinkKind.CRANKED]
    assert kinds[0] is LinkKind.INNER


# What is not known


@pytest.mark.parametrize(
    ("drive", "chain", "centres_mm", "supposed"),
    [
        ({}, {}, None, set()),
        ({"driven_teeth": None}, {}, None, {Supposed.DRIVEN_TEETH}),
        ({"driver_teeth": None}, {}, None, {Supposed.DRIVER_TEETH}),
        (
            {"driver_teeth": None, "driven_teeth": None},
            {},
            None,
            {Supposed.DRIVER_TEETH, Supposed.DRIVEN_TEETH},
        ),
        ({}, {"pitches_in_loop": None}, 900.0, {Supposed.LOOP}),
        ({}, {"pitches_in_loop": None}, None, {Supposed.LOOP, Supposed.CENTRES}),
    ],
)
def test_what_is_not_registered_is_supposed_and_named(
    drive: dict[str, Any], chain: dict[str, Any], centres_mm: float | None, supposed: set[Supposed]
) -> None:
    view = sides(a_drive(**drive), a_chain(**chain), centres_mm)
    assert view.supposed == supposed
    assert view.joints % 2 == 0
    assert view.length_pitches == pytest.approx(view.joints, abs=1)


def test_centres_that_are_given_come_before_those_of_the_loop() -> None:
    taken = sides(a_drive(), a_chain(), 900.0)
    assert taken.centres_mm == 900.0
    assert taken.doubts == ()
    other = sides(a_drive(), a_chain(), 1200.0)
    assert other.centres_mm == 1200.0
    assert other.doubts == (Doubt.CENTRES_AND_LOOP,)
    assert other.joints == pytest.approx(other.length_pitches, abs=1)


def test_centres_at_which_the_sprockets_would_cut_into_each_other_are_not_drawn() -> None:
    view = sides(a_drive(), a_chain(), 200.0)
    assert view.doubts[0] is Doubt.CENTRES_TOO_SHORT
    assert view.centres_mm == pytest.approx(centres_for(100, 25.4, 19, 38))


@pytest.mark.parametrize(
    ("drive", "chain", "why"),
    [
        ({}, {"designation": "LH1623"}, StrandWhy.LEAF),
        ({"driver_teeth": None, "driven_teeth": None}, {"pitches_in_loop": None}, StrandWhy.NO_TEETH),
        (
            {"driver_teeth": None, "driven_teeth": None},
            {"designation": "M80-160", "pitch_mm": 160.0},
            StrandWhy.NO_TEETH,
        ),
        ({}, {"pitches_in_loop": 40}, StrandWhy.LOOP_TOO_SHORT),
    ],
)
def test_where_two_sprockets_cannot_be_drawn_there_is_a_strand_and_why(
    drive: dict[str, Any], chain: dict[str, Any], why: StrandWhy
) -> None:
    view = view_of(a_drive(**drive), a_chain(**chain), None)
    assert isinstance(view, StrandView)
    assert view.why is why
    assert view.leaf is (why is StrandWhy.LEAF)
    assert view.up is not None
    assert view.down == pytest.approx(view.up + 20.25)


def test_a_strand_shows_both_sensors_with_the_tangent_point_of_the_driver_where_it_is_near() -> None:
    chain = a_chain(pitches_in_loop=40)
    near = view_of(a_drive(), chain, None)
    assert isinstance(near, StrandView)
    assert near.driver_at == pytest.approx((near.up or 0) + 760 / 25.4)
    assert near.driver_at is not None
    assert near.length_pitches > near.driver_at
    far = view_of(a_drive(up_to_driver_mm=50_000.0), chain, None)
    assert isinstance(far, StrandView)
    assert far.driver_at is None


def test_the_joints_of_a_strand_fill_it_and_one_passes_up() -> None:
    view = view_of(a_drive(), a_chain(designation="LH1623"), None)
    assert isinstance(view, StrandView)
    joints = straight_joints(view)
    assert view.up in joints
    assert joints[0] < 1
    assert view.length_pitches - 1 < joints[-1] <= view.length_pitches
